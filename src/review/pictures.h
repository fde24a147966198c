/*
 * pictures.h - pictures in memory, and those that are being made.
 *
 * Bounds: PICTURES_BYTES_MAX of JPEG and PICTURES_MAX pictures; beyond, the one that was asked for longest
 * ago goes. What a person waits for is made before what is prepared, newest first, and preparing leaves a
 * worker free where there are two.
 */
#ifndef CHAFFINCH_REVIEW_PICTURES_H
#define CHAFFINCH_REVIEW_PICTURES_H

#include "desk.h"

enum { PICTURES_MAX = 4096, PART_MAX_PX = 2048 };
#define PICTURES_BYTES_MAX ((size_t)192 << 20)

struct pictures *pictures_new(struct err *err);
void pictures_free(struct pictures *p); /* NULL is accepted */

/* "ID/small", "ID/whole" or "ID/crop/X,Y,W,H". */
bool pictures_parse(const char *path, struct session_picture *picture);
/* The picture, or that it is being made, or why it cannot be. */
void pictures_get(struct desk *d, const struct session_picture *picture, struct answer *a);
/* Make these when there is nothing else to do, in this order; what was to be prepared before and is not begun
   is given up. */
void pictures_prepare(struct desk *d, const struct session_picture *pictures, size_t n);
bool pictures_work(struct desk *d, bool *news, struct err *err);
/* True while jobs are with the workers. */
bool pictures_busy(const struct desk *d);

#endif
