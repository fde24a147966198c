/*
 * burst_rows.h - the bursts of the catalogue, kept in memory while they are worked through.
 *
 * Ownership: struct burst_rows owns its rows and their strings; burst_rows_release() frees them.
 */
#ifndef CHAFFINCH_SESSION_BURST_ROWS_H
#define CHAFFINCH_SESSION_BURST_ROWS_H

#include "chaffinch/session.h"

struct burst_row {
    struct catalogue_burst burst; /* its strings are the three below, or static */
    char *body, *mode, *stamp;
    double focal_mm; /* of its first frame that tells one; 0 until somebody notes it */
};
struct burst_rows {
    struct burst_row *row; /* row[i] is burst i + 1 */
    size_t n, room;
};
bool burst_rows_load(struct session *s, struct burst_rows *rows, struct err *err);
void burst_rows_release(struct burst_rows *rows);
/* Gives a burst another stamp. */
bool burst_row_set_stamp(struct burst_row *row, const char *stamp, struct err *err);

#endif
