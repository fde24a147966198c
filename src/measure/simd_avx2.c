/*
 * simd_avx2.c - the inner loops for sixteen 16 bit lanes. Called only where the processor has AVX2.
 */
#include "kernels.h"

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
TARGET static inline vec load_u8(const uint8_t *p) /* LANES bytes, widened */
{
    return _mm256_cvtepu8_epi16(_mm_loadu_si128((const __m128i *)(const void *)p));
}
TARGET static inline vec zero(void)
{
    return _mm256_setzero_si256();
}
TARGET static inline vec all16(short v)
{
    return _mm256_set1_epi16(v);
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
TARGET static inline vec and_bits(vec a, vec b)
{
    return _mm256_and_si256(a, b);
}
TARGET static inline vec high_bytes(vec a)
{
    return _mm256_srli_epi16(a, 8);
}
TARGET static inline vec less16(vec a, vec b) /* -1 where a < b */
{
    return _mm256_cmpgt_epi16(b, a);
}
TARGET static inline vec madd(vec a, vec b) /* a0 b0 + a1 b1 in each 32 bit lane */
{
    return _mm256_madd_epi16(a, b);
}
TARGET static inline vec narrow(vec low, vec high) /* 32 bit lanes to 16 bit, in order */
{
    return _mm256_permute4x64_epi64(_mm256_packs_epi32(low, high), 0xD8);
}

#include "simd_body.h"
#endif
