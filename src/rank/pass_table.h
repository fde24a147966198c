/*
 * pass_table.h - energies of a subject against its blur over a pass, and how they scatter.
 *
 * Logarithms of squared Laplacian and squared gradients at scales 1, 2, 4 and 8. How they fall with blur is
 * halfway between photographs (blur_table.h, which knows ratios only) and rendered birds whose blur is known
 * (bench_bursts, seeds 1 to 5: a level of its own for every pass, robust least squares). Halfway between both
 * is the usual level, too, since photographs have more fine detail beside coarse. Both covariances are of
 * those birds: deviation of frames from their pass, which is mostly pose and contrast, all energies together,
 * and of passes from each other.
 */
#ifndef RANK_PASS_TABLE_H
#define RANK_PASS_TABLE_H

enum { PASS_ENERGIES = 5, PASS_KNOTS = 12 };

static const double pass_knot_px[PASS_KNOTS] = {0.380, 0.507, 0.676, 0.901, 1.201, 1.602,
                                                2.135, 2.847, 3.797, 5.062, 6.750, 9.000};
/* Against what they are at the third knot. */
static const double pass_fall[PASS_KNOTS][PASS_ENERGIES] = {
    {1.612, 0.394, 0.101, 0.038, 0.095},      {0.824, 0.205, 0.052, 0.019, 0.048},
    {0.000, 0.000, 0.000, 0.000, 0.000},      {-0.899, -0.255, -0.073, -0.012, 0.008},
    {-1.739, -0.602, -0.227, -0.045, 0.017},  {-2.312, -0.936, -0.417, -0.091, 0.028},
    {-2.787, -1.281, -0.671, -0.187, 0.025},  {-3.151, -1.604, -0.966, -0.360, -0.036},
    {-3.678, -1.985, -1.276, -0.565, -0.081}, {-4.283, -2.620, -1.927, -1.162, -0.512},
    {-4.943, -3.281, -2.697, -1.890, -1.076}, {-5.577, -3.915, -3.444, -2.605, -1.639},
};
/* Of a frame from its pass. */
static const double pass_frame_cov[PASS_ENERGIES][PASS_ENERGIES] = {
    {0.1408, 0.0708, 0.0596, 0.0475, 0.0290}, {0.0708, 0.1190, 0.1213, 0.1130, 0.0864},
    {0.0596, 0.1213, 0.1344, 0.1344, 0.1068}, {0.0475, 0.1130, 0.1344, 0.1556, 0.1407},
    {0.0290, 0.0864, 0.1068, 0.1407, 0.1828},
};
/* Of a pass from the usual level. */
static const double pass_usual[PASS_ENERGIES] = {5.283, 4.365, 4.928, 5.396, 5.772};
static const double pass_cov[PASS_ENERGIES][PASS_ENERGIES] = {
    {0.5984, 0.4929, 0.4646, 0.4167, 0.3319}, {0.4929, 0.6933, 0.6884, 0.6704, 0.5806},
    {0.4646, 0.6884, 0.7408, 0.7184, 0.6381}, {0.4167, 0.6704, 0.7184, 0.7661, 0.7000},
    {0.3319, 0.5806, 0.6381, 0.7000, 0.7892},
};

#endif
