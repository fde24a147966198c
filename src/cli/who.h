/* who.h - whose decision it is. */
#ifndef CHAFFINCH_CLI_WHO_H
#define CHAFFINCH_CLI_WHO_H

/* The login name, else the user's number, which is written to `out`. */
const char *who_decides(char out[32]);

#endif
