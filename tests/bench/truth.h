#ifndef BENCH_TRUTH_H
#define BENCH_TRUTH_H
/* A rendered burst as the judge sees it: packed grids, and the truth about every frame. */
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { BENCH_BIRDS = 5, BENCH_FRAMES = 64 };

enum bench_bird_flag {
    BIRD_PRESENT = 1 << 0,  /* some of it is inside the picture */
    BIRD_CUT = 1 << 1,      /* the edge of the picture cuts it */
    BIRD_HIDDEN = 1 << 2,   /* more than a fifth of what is inside the picture is behind something */
    BIRD_LANDED = 1 << 3,   /* at rest */
    BIRD_HOVERING = 1 << 4, /* in one place on beating wings */
    BIRD_PROP = 1 << 5      /* part of the set: its frames are not judged as a pass */
};

struct bench_bird {
    uint32_t flags;
    float x, y, w, h; /* box of what covers at least .4 after the blur, px */
    float blur_px;    /* Gaussian-equivalent radius at the middle of the body */
    float head_px;    /* at the head */
    float visible;    /* share of its outline that is in the picture and not behind something */
};

struct bench_frame {
    int64_t time_ns;
    double laplacian_variance, tenengrad; /* of the whole picture, exact */
    struct bench_bird bird[BENCH_BIRDS];
    uint8_t *packed; /* owned by the burst */
    size_t packed_bytes;
};

struct bench_burst {
    uint32_t n;
    uint32_t width_px;
    bool head_decides; /* parts of one bird differ in blur: the head is what counts */
    double render_s;   /* processor time it took */
    struct bench_frame *frame;
};

void burst_release(struct bench_burst *b);

/* Truth blur that frames are compared by. */
static inline double bird_blur(const struct bench_burst *b, const struct bench_bird *bird)
{
    return (double)(b->head_decides ? bird->head_px : bird->blur_px);
}

/* Kept bursts: false (and nothing changed) when the file is missing or of another kind. */
bool cache_load(const char *path, struct bench_burst *b);
/* Written beside and moved into place, so that two runs may share a folder. */
bool cache_store(const char *path, const struct bench_burst *b);

#endif
