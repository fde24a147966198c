/*
 * simd_body.h - the vector loops, written once over a handful of lane operations.
 *
 * Included at the end of simd_sse2.c and simd_avx2.c, which define TARGET, LANES, KERNELS, `vec` and the
 * operations. A strip is LANES columns wide and runs down the band; a row is loaded and widened once, and
 * what the next two rows need of it stays in registers. Each strip leaves LANES / 2 pair sums.
 */

/* What is kept of the two rows above the one that is loaded next. */
struct window {
    vec mid;         /* the row in the middle */
    vec lap;         /* its Laplacian, all but the tap from below */
    vec dx, dx_two;  /* right minus left of the middle row, and of the upper and the middle row */
    vec up_sum, sum; /* 1 2 1 sums of the upper and the middle row */
};

/* What the three rows give. */
struct response {
    vec lap, gx, gy;
};

struct sum_strip {
    vec lap, lap2, grad2;
};

/* Taps of a row: the value, and left and right of it. */
struct taps {
    vec left, mid, right;
};

TARGET static inline struct taps taps8(const uint8_t *p)
{
    return (struct taps){load_u8(p - 1), load_u8(p), load_u8(p + 1)};
}

TARGET static inline struct taps taps16(const uint16_t *p)
{
    return (struct taps){load(p - 1), load(p), load(p + 1)};
}

TARGET static inline vec smooth(struct taps t)
{
    return add16(add16(t.left, t.right), add16(t.mid, t.mid));
}

TARGET static inline struct window window_start(struct taps up, struct taps mid)
{
    vec twice = add16(mid.mid, mid.mid), sides = add16(mid.left, mid.right);
    vec dx = sub16(mid.right, mid.left);
    return (struct window){
        .mid = mid.mid,
        .lap = add16(sub16(sides, add16(twice, twice)), up.mid),
        .dx = dx,
        .dx_two = add16(sub16(up.right, up.left), dx),
        .up_sum = smooth(up),
        .sum = add16(sides, twice),
    };
}

/* Responses of the middle row once the row below it is there; then moves the window down by one. */
TARGET static inline struct response window_step(struct window *w, struct taps low)
{
    vec twice = add16(low.mid, low.mid), sides = add16(low.left, low.right);
    vec dx = sub16(low.right, low.left), dx_two = add16(w->dx, dx), sum = add16(sides, twice);
    struct response out = {
        .lap = add16(w->lap, low.mid),
        .gx = add16(w->dx_two, dx_two),
        .gy = sub16(sum, w->up_sum),
    };
    *w = (struct window){
        .mid = low.mid,
        .lap = add16(sub16(sides, add16(twice, twice)), w->mid),
        .dx = dx,
        .dx_two = dx_two,
        .up_sum = w->sum,
        .sum = sum,
    };
    return out;
}

TARGET static inline void add_squares(struct sum_strip *s, struct response q)
{
    s->lap2 = add32(s->lap2, madd(q.lap, q.lap));
    s->grad2 = add32(s->grad2, add32(madd(q.gx, q.gx), madd(q.gy, q.gy)));
}

TARGET static inline void store_strip(const struct pair_sums *sums, size_t pair, struct sum_strip s)
{
    store(sums->lap + pair, s.lap);
    store(sums->lap2 + pair, s.lap2);
    store(sums->grad2 + pair, s.grad2);
}

/* Luma, Laplacian and clipped counts of at most 32 rows fit 16 bit lanes (32 * 1020 < 2^15). */
TARGET static void strip8(const uint8_t *const *row, unsigned rows, size_t x, const struct pair_sums *sums)
{
    const vec one = all16(1), two = all16(2), four = all16(4), byte = all16(255);
    struct window w = window_start(taps8(row[0] + x), taps8(row[1] + x));
    struct sum_strip s = {zero(), zero(), zero()};
    vec luma = zero(), luma2 = zero(), clipped = zero();
    for (unsigned r = 2; r <= rows + 1; r++) {
        vec y = w.mid;
        struct response q = window_step(&w, taps8(row[r] + x));
        s.lap = add16(s.lap, q.lap);
        add_squares(&s, q);
        luma = add16(luma, y);
        luma2 = add32(luma2, madd(y, y));
        /* y + 2 modulo 256 is 0..3 for 254, 255, 0 and 1 only */
        clipped = sub16(clipped, less16(and_bits(add16(y, two), byte), four));
    }
    s.lap = madd(s.lap, one);
    store_strip(sums, x / 2, s);
    store(sums->luma + x / 2, madd(luma, one));
    store(sums->luma2 + x / 2, luma2);
    store(sums->clipped + x / 2, madd(clipped, one));
}

TARGET static void strip16(const uint16_t *const *row, unsigned rows, size_t x, const struct pair_sums *sums)
{
    const vec one = all16(1);
    struct window w = window_start(taps16(row[0] + x), taps16(row[1] + x));
    struct sum_strip s = {zero(), zero(), zero()};
    for (unsigned r = 2; r <= rows + 1; r++) {
        struct response q = window_step(&w, taps16(row[r] + x));
        s.lap = add32(s.lap, madd(q.lap, one));
        add_squares(&s, q);
    }
    store_strip(sums, x / 2, s);
}

TARGET static void band8(const uint8_t *const *row, unsigned rows, size_t width, const struct pair_sums *sums)
{
    size_t x = 0;
    for (; x + LANES <= width; x += LANES)
        strip8(row, rows, x, sums);
    measure_plain_band8(row, rows, x, width, sums);
}

TARGET static void band16(const uint16_t *const *row, unsigned rows, size_t width,
                          const struct pair_sums *sums)
{
    size_t x = 0;
    for (; x + LANES <= width; x += LANES)
        strip16(row, rows, x, sums);
    measure_plain_band16(row, rows, x, width, sums);
}

TARGET static void halve8(const uint8_t *upper, const uint8_t *lower, size_t width, uint16_t *out)
{
    const vec byte = all16(255);
    size_t x = 0;
    for (; x + LANES <= width; x += LANES) {
        vec a = load(upper + 2 * x), b = load(lower + 2 * x);
        vec left = add16(and_bits(a, byte), and_bits(b, byte));
        store(out + x, add16(left, add16(high_bytes(a), high_bytes(b))));
    }
    measure_plain_halve8(upper, lower, x, width, out);
}

TARGET static void halve16(const uint16_t *upper, const uint16_t *lower, size_t width, uint16_t *out)
{
    const vec one = all16(1);
    size_t x = 0;
    for (; x + LANES <= width; x += LANES) {
        vec first = add16(load(upper + 2 * x), load(lower + 2 * x));
        vec second = add16(load(upper + 2 * x + LANES), load(lower + 2 * x + LANES));
        store(out + x, narrow(madd(first, one), madd(second, one)));
    }
    measure_plain_halve16(upper, lower, x, width, out);
}

const struct kernels KERNELS = {band8, band16, halve8, halve16};
