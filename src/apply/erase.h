/*
 * erase.h - the only code of chaffinch that deletes a picture.
 *
 * Every file of the frame is read whole and compared with what a run put into the rejects before the first
 * one goes; companions go first, so that a failure in between leaves the pictures.
 */
#ifndef CHAFFINCH_APPLY_ERASE_H
#define CHAFFINCH_APPLY_ERASE_H

#include "act.h"

/* The frame was looked at (look.h). On failure each file's `where` tells whether it is gone. */
bool erase_frame(struct act *act, struct run_frame *frame, struct err *cause);

#endif
