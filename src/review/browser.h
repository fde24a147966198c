/* browser.h - hands an address to the desktop's browser, quietly: nothing happens where there is none. */
#ifndef CHAFFINCH_REVIEW_BROWSER_H
#define CHAFFINCH_REVIEW_BROWSER_H

void browser_open(const char *address);

#endif
