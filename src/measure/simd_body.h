/*
 * simd_body.h - the vector loops, written once over a handful of lane operations.
 *
 * Included at the end of simd_sse2.c and simd_avx2.c, which define TARGET, LANES (of 16 bits), KERNELS, `vec`
 * and the operations. A strip is LANES columns wide and runs down the band; a row is loaded and widened
 * once, and what the next two rows need of it stays in registers.
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

TARGET static inline vec add_gradient(vec sum, struct response q)
{
    return add32(sum, add32(madd(q.gx, q.gx), madd(q.gy, q.gy)));
}

/* In each 128 bits: the sums of the four lanes of a, of b, of c and of d. */
TARGET static inline vec sums_of_four(vec a, vec b, vec c, vec d)
{
    vec ab = add32(low32(a, b), high32(a, b)), cd = add32(low32(c, d), high32(c, d));
    return add32(low64(ab, cd), high64(ab, cd));
}

/* The Laplacians of at most 32 rows fit 16 bit lanes (32 * 1020 < 2^15). */
TARGET static void strip8(const uint8_t *const *row, unsigned rows, size_t x, struct fine_sums *unit)
{
    struct window w = window_start(taps8(row[0] + x), taps8(row[1] + x));
    vec lap = zero(), lap2 = zero(), grad2 = zero(), luma2 = zero();
    for (unsigned r = 2; r <= rows + 1; r++) {
        luma2 = add32(luma2, madd(w.mid, w.mid));
        struct response q = window_step(&w, taps8(row[r] + x));
        lap = add16(lap, q.lap);
        lap2 = add32(lap2, madd(q.lap, q.lap));
        grad2 = add_gradient(grad2, q);
    }
    store(unit + x / UNIT_PX, sums_of_four(madd(lap, all16(1)), lap2, grad2, luma2));
}

TARGET static void fine(const uint8_t *const *row, unsigned rows, size_t width, struct fine_sums *unit)
{
    size_t x = 0;
    for (; x + LANES <= width; x += LANES)
        strip8(row, rows, x, unit);
    measure_plain_fine(row, rows, x, width, unit);
}

/* Bytes in lanes of 8 bits: at most 32 rows are counted. */
TARGET static void light(const uint8_t *const *row, unsigned rows, size_t width, struct light_sums *unit)
{
    const vec two = all8(2), three = all8(3);
    size_t x = 0;
    for (; x + 2 * LANES <= width; x += 2 * LANES) {
        vec luma = zero(), clipped = zero();
        for (unsigned r = 1; r <= rows; r++) {
            vec y = load(row[r] + x);
            luma = add32(luma, sum_bytes(y));
            /* y + 2 modulo 256 is 0..3 for 254, 255, 0 and 1 only */
            vec shifted = add8(y, two);
            clipped = sub8(clipped, equal8(min8(shifted, three), shifted));
        }
        store(unit + x / UNIT_PX, or_bits(luma, up32(sum_bytes(clipped))));
    }
    measure_plain_light(row, rows, x, width, unit);
}

TARGET static void strip16(const uint16_t *const *row, unsigned rows, size_t x, const struct pair_sums *sums)
{
    struct window w = window_start(taps16(row[0] + x), taps16(row[1] + x));
    vec grad2 = zero();
    for (unsigned r = 2; r <= rows + 1; r++)
        grad2 = add_gradient(grad2, window_step(&w, taps16(row[r] + x)));
    store(sums->gradient2 + x / 2, grad2);
}

TARGET static void strip16_laplacian(const uint16_t *const *row, unsigned rows, size_t x,
                                     const struct pair_sums *sums)
{
    const vec one = all16(1);
    struct window w = window_start(taps16(row[0] + x), taps16(row[1] + x));
    vec lap = zero(), lap2 = zero();
    for (unsigned r = 2; r <= rows + 1; r++) {
        struct response q = window_step(&w, taps16(row[r] + x));
        lap = add32(lap, madd(q.lap, one));
        lap2 = add32(lap2, madd(q.lap, q.lap));
    }
    store(sums->laplacian + x / 2, lap);
    store(sums->laplacian2 + x / 2, lap2);
}

TARGET static void coarse(const uint16_t *const *row, unsigned rows, size_t width,
                          const struct pair_sums *sums)
{
    size_t x = 0;
    for (; x + LANES <= width; x += LANES) {
        strip16(row, rows, x, sums);
        if (sums->laplacian != NULL)
            strip16_laplacian(row, rows, x, sums);
    }
    measure_plain_coarse(row, rows, x, width, sums);
}

/* (a - b)^2 of unsigned lanes, whose difference takes 17 bits with its sign. */
TARGET static inline void store_squares(vec a, vec b, uint32_t *out)
{
    vec d = or_bits(less_or_zero(a, b), less_or_zero(b, a));
    store_products(out, mul_low(d, d), mul_high(d, d));
}

/* Of scale 8: 1 2 1 sums of its samples, up to 4 * 16320, are just below 2^16. */
TARGET static void coarsest(const uint16_t *const row[3], size_t width, uint32_t *gx2, uint32_t *gy2)
{
    size_t x = 0;
    for (; x + LANES <= width; x += LANES) {
        struct taps up = taps16(row[0] + x), mid = taps16(row[1] + x), low = taps16(row[2] + x);
        vec left = add16(add16(up.left, low.left), add16(mid.left, mid.left));
        vec right = add16(add16(up.right, low.right), add16(mid.right, mid.right));
        store_squares(left, right, gx2 + x);
        store_squares(smooth(up), smooth(low), gy2 + x);
    }
    measure_plain_coarsest(row, x, width, gx2, gy2);
}

TARGET static void halve8(const uint8_t *upper, const uint8_t *lower, size_t width, uint16_t *out)
{
    size_t x = 0;
    for (; x + LANES <= width; x += LANES)
        store(out + x, add16(pair_bytes(load(upper + 2 * x)), pair_bytes(load(lower + 2 * x))));
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

/* Before they are clamped to bytes: -1180 to 1380, which fit 16 bits. */
TARGET static inline vec log_lanes(const float *value)
{
    vec bits = load(value), one = all32(FLOAT_ONE);
    vec mantissa = or_bits(and_bits(bits, all32(FLOAT_MANTISSA)), one);
    vec octave = sub32(right32(bits, FLOAT_MANTISSA_BITS), all32(FLOAT_BIAS + LOG_LOWEST_OCTAVE));
    vec byte = add32(madd(octave, all32(LOG_STEPS)), all32(1));
    for (int k = 0; k < LOG_STEPS; k++)
        byte = sub32(byte, reached(mantissa, measure_log_step_ends[k]));
    return byte;
}

TARGET static void log_bytes(const float *value, size_t n, uint8_t *out)
{
    size_t x = 0;
    for (; x + LANES <= n; x += LANES)
        store_bytes(out + x, narrow(log_lanes(value + x), log_lanes(value + x + LANES / 2)));
    measure_plain_log_bytes(value, x, n, out);
}

const struct kernels KERNELS = {fine, light, coarse, coarsest, halve8, halve16, log_bytes};
