/* bracket.c - the sharpest frame of a way from a part of its frames. */
#include <math.h>

#include "chaffinch/locate.h"

enum {
    STEP = 4,  /* the first look */
    SHORT = 8, /* a way with no more complete frames is decoded altogether */
    BEST = 4,  /* of the first look, whose neighbours come next */
    TOPS = 3   /* from which it goes on uphill */
};

/* The complete frames of one way, in order. */
struct way {
    const struct locate_frame *frame;
    size_t n;
    uint16_t number;
    const bool *known;
    const float *score;
    bool *wanted;
};

static bool on_way(const struct way *w, size_t t)
{
    return w->frame[t].complete && w->frame[t].way == w->number;
}

static size_t next_on(const struct way *w, size_t t)
{
    do
        t++;
    while (t < w->n && !on_way(w, t));
    return t;
}

/* SIZE_MAX before the first. */
static size_t before_on(const struct way *w, size_t t)
{
    while (t-- > 0)
        if (on_way(w, t))
            return t;
    return SIZE_MAX;
}

static size_t want(const struct way *w, size_t t)
{
    if (t >= w->n || w->known[t] || w->wanted[t])
        return 0;
    w->wanted[t] = true;
    return 1;
}

/* Every `step`-th one, and the last. */
static size_t want_each(const struct way *w, size_t step)
{
    size_t wanted = 0, k = 0, last = SIZE_MAX;
    for (size_t t = next_on(w, SIZE_MAX); t < w->n; t = next_on(w, t), k++) {
        if (k % step == 0)
            wanted += want(w, t);
        last = t;
    }
    return last == SIZE_MAX ? 0 : wanted + want(w, last);
}

static bool sharper(const struct way *w, size_t a, size_t b)
{
    float x = isnan(w->score[a]) ? -INFINITY : w->score[a], y = isnan(w->score[b]) ? -INFINITY : w->score[b];
    return x > y;
}

/* The `most` best of the known frames at every `step`-th place, best first. */
static size_t best_of(const struct way *w, size_t step, size_t most, size_t best[BEST])
{
    size_t n = 0, k = 0;
    for (size_t t = next_on(w, SIZE_MAX); t < w->n; t = next_on(w, t), k++) {
        if (k % step != 0 || !w->known[t])
            continue;
        size_t at = n;
        while (at > 0 && sharper(w, t, best[at - 1]))
            at--;
        if (at == most)
            continue;
        n += n < most;
        for (size_t i = n - 1; i > at; i--)
            best[i] = best[i - 1];
        best[at] = t;
    }
    return n;
}

static size_t want_around(const struct way *w, size_t step, size_t most)
{
    size_t best[BEST], n = best_of(w, step, most, best), wanted = 0;
    for (size_t i = 0; i < n; i++)
        wanted += want(w, before_on(w, best[i])) + want(w, next_on(w, best[i]));
    return wanted;
}

static size_t bracket_way(const struct way *w)
{
    size_t frames = 0;
    for (size_t t = next_on(w, SIZE_MAX); t < w->n; t = next_on(w, t))
        frames++;
    if (frames <= SHORT || w->number == LOCATE_SEVERAL)
        return want_each(w, 1);
    size_t wanted = want_each(w, STEP);
    wanted = wanted > 0 ? wanted : want_around(w, STEP, BEST);
    return wanted > 0 ? wanted : want_around(w, 1, TOPS);
}

/* Is frame t the first complete one of its way? */
static bool starts_way(const struct locate_frame *frame, size_t t)
{
    bool first = frame[t].complete && frame[t].way > 0;
    for (size_t u = 0; first && u < t; u++)
        first = !frame[u].complete || frame[u].way != frame[t].way;
    return first;
}

size_t locate_bracket(const struct locate_frame *frame, size_t n, const bool *known, const float *score,
                      bool *wanted)
{
    size_t all = 0;
    for (size_t t = 0; t < n; t++)
        wanted[t] = false;
    for (size_t t = 0; t < n; t++) {
        const struct way way = {frame, n, frame[t].way, known, score, wanted};
        all += starts_way(frame, t) ? bracket_way(&way) : 0;
    }
    return all;
}

void locate_tops(const struct locate_frame *frame, size_t n, const bool *known, const float *score, bool *top)
{
    for (size_t t = 0; t < n; t++)
        top[t] = false;
    for (size_t t = 0; t < n; t++) {
        const struct way way = {frame, n, frame[t].way, known, score, top};
        size_t best[BEST], found = starts_way(frame, t) ? best_of(&way, 1, TOPS, best) : 0;
        for (size_t i = 0; i < found; i++)
            top[best[i]] = !isnan(score[best[i]]);
    }
}
