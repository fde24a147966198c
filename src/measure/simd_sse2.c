/*
 * simd_sse2.c - the inner loops for eight 16 bit lanes: what every x86-64 processor has.
 */
#include "kernels.h"

#include <string.h>

#if defined(__x86_64__)
#include <emmintrin.h>

#define TARGET
#define LANES 8
#define KERNELS measure_kernels_sse2
typedef __m128i vec;

static inline vec load(const void *p)
{
    return _mm_loadu_si128((const vec *)p);
}
static inline void store(void *p, vec v)
{
    _mm_storeu_si128((vec *)p, v);
}
static inline vec zero(void)
{
    return _mm_setzero_si128();
}
static inline vec all8(char v)
{
    return _mm_set1_epi8(v);
}
static inline vec all16(short v)
{
    return _mm_set1_epi16(v);
}
static inline vec all32(int v)
{
    return _mm_set1_epi32(v);
}
static inline vec add8(vec a, vec b)
{
    return _mm_add_epi8(a, b);
}
static inline vec sub8(vec a, vec b)
{
    return _mm_sub_epi8(a, b);
}
static inline vec min8(vec a, vec b)
{
    return _mm_min_epu8(a, b);
}
static inline vec equal8(vec a, vec b) /* -1 where equal */
{
    return _mm_cmpeq_epi8(a, b);
}
static inline vec add16(vec a, vec b)
{
    return _mm_add_epi16(a, b);
}
static inline vec sub16(vec a, vec b)
{
    return _mm_sub_epi16(a, b);
}
static inline vec add32(vec a, vec b)
{
    return _mm_add_epi32(a, b);
}
static inline vec sub32(vec a, vec b)
{
    return _mm_sub_epi32(a, b);
}
static inline vec and_bits(vec a, vec b)
{
    return _mm_and_si128(a, b);
}
static inline vec or_bits(vec a, vec b)
{
    return _mm_or_si128(a, b);
}
static inline vec high_bytes(vec a)
{
    return _mm_srli_epi16(a, 8);
}
static inline vec sum_bytes(vec a) /* of eight, in each 64 bit lane */
{
    return _mm_sad_epu8(a, _mm_setzero_si128());
}
static inline vec right32(vec a, int by)
{
    return _mm_srli_epi32(a, by);
}
static inline vec less_or_zero(vec a, vec b) /* a - b of unsigned lanes, 0 where that is negative */
{
    return _mm_subs_epu16(a, b);
}
static inline vec mul_low(vec a, vec b)
{
    return _mm_mullo_epi16(a, b);
}
static inline vec mul_high(vec a, vec b)
{
    return _mm_mulhi_epu16(a, b);
}
static inline vec madd(vec a, vec b) /* a0 b0 + a1 b1 in each 32 bit lane */
{
    return _mm_madd_epi16(a, b);
}
static inline vec low32(vec a, vec b) /* a0 b0 a1 b1 of each 128 bits */
{
    return _mm_unpacklo_epi32(a, b);
}
static inline vec high32(vec a, vec b) /* a2 b2 a3 b3 */
{
    return _mm_unpackhi_epi32(a, b);
}
static inline vec low64(vec a, vec b)
{
    return _mm_unpacklo_epi64(a, b);
}
static inline vec high64(vec a, vec b)
{
    return _mm_unpackhi_epi64(a, b);
}
static inline vec narrow(vec low, vec high) /* 32 bit lanes to 16 bit, in order */
{
    return _mm_packs_epi32(low, high);
}
static inline void store_in_turn(void *p, vec a, vec b)
{
    store(p, a);
    store((vec *)p + 1, b);
}
/* Halves of 32 bit products to LANES numbers, in order. */
static inline void store_products(uint32_t *out, vec low, vec high)
{
    store_in_turn(out, _mm_unpacklo_epi16(low, high), _mm_unpackhi_epi16(low, high));
}
static inline void store_bytes(uint8_t *out, vec a) /* clamped to 0..255 */
{
    _mm_storel_epi64((vec *)(void *)out, _mm_packus_epi16(a, a));
}
static inline vec reached(vec a, float b) /* -1 where the floats in a are at least b */
{
    return _mm_castps_si128(_mm_cmpge_ps(_mm_castsi128_ps(a), _mm_set1_ps(b)));
}
static inline vec four_times(vec a)
{
    return _mm_slli_epi16(a, 2);
}
static inline bool any(vec a) /* one byte or more is not 0 but -1 */
{
    return _mm_movemask_epi8(a) != 0;
}
/* Sums of two columns next to each other, of even and odd columns from p on and what is beside them. */
struct neighbours {
    vec left_even, even_odd, odd_right;
};
static inline struct neighbours neighbours(const uint8_t *p)
{
    const vec byte = _mm_set1_epi16(255);
    vec before = load(p - 1), after = load(p + 1);
    vec left = and_bits(before, byte), even = high_bytes(before);
    vec odd = and_bits(after, byte), right = high_bytes(after);
    return (struct neighbours){add16(left, even), add16(even, odd), add16(odd, right)};
}
/* Left and right less four times the value, of even and odd columns from p on. */
struct two_columns {
    vec even, odd;
};
static inline struct two_columns second_differences(const uint8_t *p, vec even, vec odd)
{
    vec left = and_bits(load(p - 1), _mm_set1_epi16(255)), right = high_bytes(load(p + 1));
    return (struct two_columns){sub16(add16(left, odd), four_times(even)),
                                sub16(add16(even, right), four_times(odd))};
}
static inline void store_scaled(float *out, vec sum, float unit) /* see scale_sums */
{
    const __m128d base = _mm_set1_pd(0x1p52);
    __m128d d = _mm_sub_pd(_mm_or_pd(_mm_castsi128_pd(sum), base), base);
    _mm_storel_pi((__m64 *)(void *)out, _mm_mul_ps(_mm_cvtpd_ps(d), _mm_set1_ps(unit)));
}

#include "simd_body.h"
#endif
