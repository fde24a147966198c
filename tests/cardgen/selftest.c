#include "selftest.h"
#include "blur.h"
#include "lens.h"
#include <math.h>
#include <stdio.h>

#define SIDE 121

/* Deviation of a patch's alpha, both axes averaged, with the aperture of a px. */
static double measured_sigma(const struct patch *p)
{
    double sum = 0, x = 0, y = 0, r2 = 0;
    for (int j = 0; j < SIDE; j++)
        for (int i = 0; i < SIDE; i++) {
            double v = (double)p->px[(j * SIDE + i) * 4 + 3];
            sum += v;
            x += v * i;
            y += v * j;
            r2 += v * (i * i + j * j);
        }
    x /= sum;
    y /= sum;
    return sqrt((r2 / sum - x * x - y * y) / 2 + 1.0 / 12);
}

bool selftest_blur(void)
{
    static const float disc[] = {0, 0.3f, 0.8f, 1.5f, 3, 5.9f, 6.1f, 9, 14, 30}, line[] = {0, 1.4f, 5};
    double worst = 0;
    for (int d = 0; d < 10; d++)
        for (int n = 0; n < 3; n++) {
            struct patch p = patch_new(0, 0, SIDE, SIDE);
            p.px[(SIDE / 2 * SIDE + SIDE / 2) * 4 + 3] = 1;
            blur_patch(&p, disc[d], 0.8f * line[n], 0.6f * line[n]);
            double claim = (double)lens_sigma_px(disc[d], line[n]);
            worst = fmax(worst, fabs(measured_sigma(&p) - claim) / claim);
            patch_free(&p);
        }
    printf("blur: 30 kernels, worst error of the claimed radius %.2f %%\n", 100 * worst);
    return worst < 0.005;
}
