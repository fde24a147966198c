/* head.h - the body of a crossing subject and its head end. */
#ifndef RANK_HEAD_H
#define RANK_HEAD_H

#include "score.h"

/* One outline of the pass, and where its first cell lies on the sheet that all are laid on. */
struct body_member {
    const struct subject_region *region;
    size_t item;
    int col, row;
};

struct body {
    struct body_member *member; /* malloc; body_release frees it */
    size_t n;
    float way_col, way_row; /* direction of flight, length 1 */
    int cols, rows;         /* of the sheet */
    float *along;           /* cols * rows: 0 tail end .. 1 head end; < 0 outside of the body */
    float length;           /* cells, along the way */
    size_t cells;
};

/* Takes members and way; fills the rest. False with ERR_NOMEM; the body is released by the caller either way.
 */
bool body_find(struct body *body, struct err *err);
void body_release(struct body *body);
/* Place along the body of cell (c, r) of member k's outline; < 0 = not the body. */
float body_place(const struct body *body, size_t k, uint32_t c, uint32_t r);

#endif
