/* explain.h - what is known about one frame and the pass it belongs to, gathered for words and for JSON. */
#ifndef CHAFFINCH_REPORT_EXPLAIN_H
#define CHAFFINCH_REPORT_EXPLAIN_H

#include <cjson/cJSON.h>

#include "chaffinch/catalogue.h"
#include "chaffinch/rank.h"
#include "chaffinch/str.h"

/* Another frame of the pass, told as a yardstick. */
struct explain_other {
    char *path; /* NULL = there is none */
    double score, blur_px, laplacian_variance, tenengrad;
    int64_t apart_ns; /* from the frame in question */
};

/* A frame of the burst beside it. */
struct explain_near {
    char *path;
    int64_t apart_ns; /* from the frame in question */
    bool scored;      /* it has a subject of the same pass */
    double score, blur_px;
    enum rank_reason reason;
};
enum { EXPLAIN_NEAR = 4 }; /* two before, two behind */

struct explain_facts {
    int64_t frame, burst;
    uint32_t position;
    uint32_t pass;
    int64_t time_ns;
    bool missing;
    uint32_t burst_frames, burst_passes;
    bool perch, nothing_sharp;
    bool away;                 /* chaffinch-apply moved it and did not bring it back */
    int64_t start_ns;          /* of the first frame of the burst */
    uint32_t pass_frames;      /* that the pass stands for */
    uint32_t ranked;           /* complete scored frames among them */
    uint32_t kept;             /* by outcome */
    struct explain_other best; /* rank 1 of the pass, unless that is the frame itself */
    struct explain_other twin; /* the kept frame of the pass that is nearest in time */
    struct explain_near near[EXPLAIN_NEAR];
    size_t n_near;
    /* of the three best of the pass: chances of being sharp, least blur, and what equals it */
    double top_p[3], least_px, reach_px;
    size_t n_top;
    struct catalogue_items items;
};

/* One sentence a line. `row` is the frame's own. */
bool explain_sentences(struct catalogue *c, const struct explain_facts *facts,
                       const struct catalogue_row *row, const char *session, struct str *out,
                       struct err *err);

/* Sentences about the parts of the score and the light; none where they are not known. */
void explain_parts(struct str *out, const struct catalogue_item *item);
void explain_neighbours(struct str *out, const struct explain_facts *facts);
/* Appends the rule that decided; false where the reason itself says all (what was appended is to be dropped).
 */
bool explain_rule(struct str *out, const struct explain_facts *facts, const struct catalogue_row *row);
/* All three as "parts", "neighbours" and "rule". False where memory ran out. */
bool explain_json(cJSON *object, const struct explain_facts *facts, const struct catalogue_row *row);

#endif
