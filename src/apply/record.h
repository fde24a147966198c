/*
 * record.h - the catalogue follows what a run did on the disk.
 *
 * Files are found by path, not by row number: the catalogue may have been rebuilt since the run was planned.
 * What is recorded already is left alone, so a resumed run repairs what a crash left between disk and
 * catalogue.
 */
#ifndef CHAFFINCH_APPLY_RECORD_H
#define CHAFFINCH_APPLY_RECORD_H

#include "chaffinch/root.h"
#include "run.h"

/* True with *without set when there is no catalogue: the logs are enough to undo. */
bool record_run(const struct root *root, const struct run *run, bool *without, struct err *err);

#endif
