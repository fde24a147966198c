/* frame_argument.h - which frame does a word on the command line mean? */
#ifndef CHAFFINCH_CLI_FRAME_ARGUMENT_H
#define CHAFFINCH_CLI_FRAME_ARGUMENT_H

#include <stdint.h>

#include "chaffinch/catalogue.h"
#include "chaffinch/root.h"

/* FRAME is a path as list prints it, or any file of the frame, where it lies now or where it lay before it
   was moved. If that knows no frame, it is tried as a path from the current folder that leads into the
   session. ERR_USAGE when no frame is meant. */
bool frame_argument_find(struct catalogue *c, const struct root *root, const char *word, int64_t *frame,
                         struct err *err);

#endif
