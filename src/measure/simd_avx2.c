/*
 * simd_avx2.c - the inner loops for sixteen 16 bit lanes. Called only where the processor has AVX2.
 */
#include "kernels.h"

#include <string.h>

#if defined(__x86_64__)
#include <immintrin.h>

#define TARGET __attribute__((target("avx2")))
#define LANES 16
#define KERNELS measure_kernels_avx2
typedef __m256i vec;

TARGET static inline vec load(const void *p)
{
    return _mm256_loadu_si256((const vec *)p);
}
TARGET static inline void store(void *p, vec v)
{
    _mm256_storeu_si256((vec *)p, v);
}
TARGET static inline vec zero(void)
{
    return _mm256_setzero_si256();
}
TARGET static inline vec all8(char v)
{
    return _mm256_set1_epi8(v);
}
TARGET static inline vec all16(short v)
{
    return _mm256_set1_epi16(v);
}
TARGET static inline vec all32(int v)
{
    return _mm256_set1_epi32(v);
}
TARGET static inline vec add8(vec a, vec b)
{
    return _mm256_add_epi8(a, b);
}
TARGET static inline vec sub8(vec a, vec b)
{
    return _mm256_sub_epi8(a, b);
}
TARGET static inline vec min8(vec a, vec b)
{
    return _mm256_min_epu8(a, b);
}
TARGET static inline vec equal8(vec a, vec b) /* -1 where equal */
{
    return _mm256_cmpeq_epi8(a, b);
}
TARGET static inline vec add16(vec a, vec b)
{
    return _mm256_add_epi16(a, b);
}
TARGET static inline vec sub16(vec a, vec b)
{
    return _mm256_sub_epi16(a, b);
}
TARGET static inline vec add32(vec a, vec b)
{
    return _mm256_add_epi32(a, b);
}
TARGET static inline vec sub32(vec a, vec b)
{
    return _mm256_sub_epi32(a, b);
}
TARGET static inline vec and_bits(vec a, vec b)
{
    return _mm256_and_si256(a, b);
}
TARGET static inline vec or_bits(vec a, vec b)
{
    return _mm256_or_si256(a, b);
}
TARGET static inline vec high_bytes(vec a)
{
    return _mm256_srli_epi16(a, 8);
}
TARGET static inline vec sum_bytes(vec a) /* of eight, in each 64 bit lane */
{
    return _mm256_sad_epu8(a, _mm256_setzero_si256());
}
TARGET static inline vec right32(vec a, int by)
{
    return _mm256_srli_epi32(a, by);
}
TARGET static inline vec less_or_zero(vec a, vec b) /* a - b of unsigned lanes, 0 where that is negative */
{
    return _mm256_subs_epu16(a, b);
}
TARGET static inline vec mul_low(vec a, vec b)
{
    return _mm256_mullo_epi16(a, b);
}
TARGET static inline vec mul_high(vec a, vec b)
{
    return _mm256_mulhi_epu16(a, b);
}
TARGET static inline vec madd(vec a, vec b) /* a0 b0 + a1 b1 in each 32 bit lane */
{
    return _mm256_madd_epi16(a, b);
}
TARGET static inline vec low32(vec a, vec b) /* a0 b0 a1 b1 of each 128 bits */
{
    return _mm256_unpacklo_epi32(a, b);
}
TARGET static inline vec high32(vec a, vec b) /* a2 b2 a3 b3 */
{
    return _mm256_unpackhi_epi32(a, b);
}
TARGET static inline vec low64(vec a, vec b)
{
    return _mm256_unpacklo_epi64(a, b);
}
TARGET static inline vec high64(vec a, vec b)
{
    return _mm256_unpackhi_epi64(a, b);
}
TARGET static inline vec narrow(vec low, vec high) /* 32 bit lanes to 16 bit, in order */
{
    return _mm256_permute4x64_epi64(_mm256_packs_epi32(low, high), 0xD8);
}
/* The lower 128 bits of a and b, then the upper ones. */
TARGET static inline void store_in_turn(void *p, vec a, vec b)
{
    store(p, _mm256_permute2x128_si256(a, b, 0x20));
    store((vec *)p + 1, _mm256_permute2x128_si256(a, b, 0x31));
}
/* Halves of 32 bit products to LANES numbers, in order. */
TARGET static inline void store_products(uint32_t *out, vec low, vec high)
{
    vec a = _mm256_unpacklo_epi16(low, high), b = _mm256_unpackhi_epi16(low, high);
    store_in_turn(out, a, b);
}
TARGET static inline void store_bytes(uint8_t *out, vec a) /* clamped to 0..255 */
{
    __m128i half = _mm_packus_epi16(_mm256_castsi256_si128(a), _mm256_extracti128_si256(a, 1));
    _mm_storeu_si128((__m128i *)(void *)out, half);
}
TARGET static inline vec reached(vec a, float b) /* -1 where the floats in a are at least b */
{
    return _mm256_castps_si256(_mm256_cmp_ps(_mm256_castsi256_ps(a), _mm256_set1_ps(b), _CMP_GE_OQ));
}
TARGET static inline bool any(vec a) /* one byte or more is not 0 but -1 */
{
    return _mm256_movemask_epi8(a) != 0;
}
/* Sums of two columns next to each other, of even and odd columns from p on and what is beside them. */
struct neighbours {
    vec left_even, even_odd, odd_right;
};
TARGET static inline vec pair_bytes(const uint8_t *p)
{
    return _mm256_maddubs_epi16(load(p), _mm256_set1_epi8(1));
}
TARGET static inline struct neighbours neighbours(const uint8_t *p)
{
    return (struct neighbours){pair_bytes(p - 1), pair_bytes(p), pair_bytes(p + 1)};
}
/* Left and right less four times the value, of even and odd columns from p on. */
struct two_columns {
    vec even, odd;
};
TARGET static inline struct two_columns second_differences(const uint8_t *p, vec even, vec odd)
{
    const vec left_and_value = _mm256_set1_epi16((short)0xFC01), value_and_right = _mm256_set1_epi16(0x01FC);
    return (struct two_columns){add16(_mm256_maddubs_epi16(load(p - 1), left_and_value), odd),
                                add16(_mm256_maddubs_epi16(load(p + 1), value_and_right), even)};
}
TARGET static inline void store_scaled(float *out, vec sum, float unit) /* see scale_sums */
{
    const __m256d base = _mm256_set1_pd(0x1p52);
    __m256d d = _mm256_sub_pd(_mm256_or_pd(_mm256_castsi256_pd(sum), base), base);
    _mm_storeu_ps(out, _mm_mul_ps(_mm256_cvtpd_ps(d), _mm_set1_ps(unit)));
}

#include "simd_body.h"
#endif
