#ifndef BENCH_MARKS_H
#define BENCH_MARKS_H
/* What the bench measures, and means with standard errors over bursts. */
#include "chaffinch/rank.h"
#include "truth.h"

enum mark {
    MARK_HIT,        /* top frame among the truly best three complete ones, ties within .05 px; a pass */
    MARK_REGRET,     /* blur of the top frame over the best complete one, px; a pass */
    MARK_RHO,        /* Spearman of score and sharpness over visible frames; a pass */
    MARK_IOU_MOVING, /* box overlap, frames with a flying bird at least half visible; 0 where none is found */
    MARK_IOU_ALL,    /* the same of all birds */
    MARK_KEPT_EMPTY, /* share of kept frames without a bird */
    MARK_KEPT_CUT,   /* share of kept frames with cut birds only */
    MARK_KEPT_LANDED,   /* share of kept frames with resting birds only while sharper complete ones fly */
    MARK_NEVER_KEPT,    /* never-sharp bursts that kept something */
    MARK_SHARP_NOTHING, /* bursts with a sharp complete frame that kept nothing */
    MARK_LOST,          /* complete frames over 3 % of the width called no-subject */
    MARK_HOVER_REST,    /* hover frames called at rest */
    MARK_ARRIVED,       /* passes with others beside them that keep a complete frame of their own */
    MARK_SETUP,         /* pairs of bursts rightly told to be of one camera position or of two */
    MARK_HEAD_REGRET,   /* regret at the head, for birds whose blur differs from head to tail, px */
    MARK_VL_HIT,        /* whole-frame variance of Laplacian */
    MARK_VL_REGRET,
    MARK_VL_RHO,
    MARK_TG_HIT, /* whole-frame Tenengrad */
    MARK_TG_REGRET,
    MARK_TG_RHO,
    MARKS
};

/* Why the top frame of a pass with a sharp frame is none of the best three. */
enum miss {
    MISS_NOT_FOUND,  /* no pass of the engine's is this bird's */
    MISS_REGION,     /* most of the best three have no item that overlaps by half */
    MISS_RULED_OUT,  /* most of them are called cut, hidden, at rest or unsure, or nothing competes */
    MISS_INCOMPLETE, /* the top frame is cut, hidden, at rest or without the bird, and was let in */
    MISS_POSE,       /* the score prefers a softer frame in which the bird shows a fifth less of itself */
    MISS_ORDER,      /* the score prefers another softer frame */
    MISSES
};

/* One burst's share of a mean: sum / weight. */
struct mark_sum {
    double sum, weight;
};

enum { MARK_ERRORS = 256 };

struct marks {
    struct mark_sum of[MARKS];
    double blur_error[MARK_ERRORS]; /* |blur / truth - 1| of complete frames with a known blur */
    size_t errors;
    size_t miss[MISSES];
    double decoded; /* sum over bursts of the cost of a frame in full decodes; bursts: 0 = all was decoded */
    int decoded_bursts;
    int tops, same_tops;              /* of passes; where not all frames were decoded: still the top */
    double decodes_fast, decodes_all; /* frames of which something was decoded */
    double engine_s;                  /* processor time of finding, scoring and choosing */
};

/* What the engine says about a burst. */
struct verdicts {
    enum subject_mode mode;
    const struct rank_item *item;
    size_t items;
    const struct rank_frame *frame; /* as many as the burst has */
};

void marks_count(struct marks *m, enum mark mark, double value, double weight);

/* Pure: compares verdicts with truth; adds to *marks, which starts zeroed. */
void marks_judge(const struct bench_burst *b, const struct verdicts *v, struct marks *marks);

struct estimate {
    double value, error; /* NaN where nothing was measured */
    double weight;       /* how many passes, frames or bursts stand behind it */
};

/* Ratio of sums over n bursts. The standard error takes bursts as the unit of sampling (linearised ratio).
 * Where all bursts agree that would be 0, which no handful of bursts can show: shares then get the error of
 * (events + 1) / (n + 2), Laplace's rule, over the n bursts that count. */
struct estimate marks_mean(const struct marks *m, size_t n, enum mark mark);
/* Quantile of the relative blur error over all frames; error by 200 resamplings of bursts. */
struct estimate marks_blur_error(const struct marks *m, size_t n, double part);

double marks_spearman(const double *a, const double *b, size_t n); /* NaN below 3 values or without spread */
bool mark_is_share(enum mark mark);

#endif
