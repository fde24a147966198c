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
/* The bodies of all passes, bodies[pass - 1], from their whole, flying outlines; items are numbered as in
   rank_scores. A pass with fewer than BODY_FEWEST of those has no cells. False with ERR_NOMEM; on success the
   caller owns *bodies (bodies_release). */
enum { BODY_FEWEST = 8 };
bool bodies_find(const struct subject_input *input, const struct subject_burst *found, struct body **bodies,
                 struct err *err);
void bodies_release(struct body *bodies, size_t n);
/* Share of the body that the outline of member k covers. */
float body_cover(const struct body *body, size_t k);
/* Place along the body of cell (c, r) of member k's outline; < 0 = not the body. */
float body_place(const struct body *body, size_t k, uint32_t c, uint32_t r);

/* Orders passes by the head end of their subject where that clearly goes through the plane of focus at
   another time than the rest, and sets RANK_HEAD_BLUR there. `sharp` is of sharp_scene, NULL = not known.
   False with ERR_NOMEM. */
bool head_settle(const struct subject_input *input, const struct subject_burst *found,
                 const struct body *bodies, const struct noise *noise, const uint8_t *sharp, double unit2,
                 struct rank_scores *scores, struct err *err);

#endif
