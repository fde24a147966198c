/* guard.h - may this request be answered at all? By its headers and its token only (pure). */
#ifndef CHAFFINCH_REVIEW_GUARD_H
#define CHAFFINCH_REVIEW_GUARD_H

#include "desk.h"

/* True if the tokens are equal; takes as long for any two of that length. */
bool guard_same_token(const char *token, const char *given, size_t size);
/* On success *rest is the path below the token, without a slash before it. Else the answer says why not. */
bool guard_admit(const struct desk *d, const struct request *q, const char **rest, struct answer *a);

#endif
