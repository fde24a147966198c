/*
 * blur_table.h - what the ratios of energies at neighbouring scales are for a known blur.
 *
 * Made by `bench_blur --fit`: blocks of 14 x 14 cells (8 px) with detail at the size of a pixel, of eight
 * photographs of the Debian packages lomiri-wallpapers-16.04 and -20.04 (a dragonfly, fruit, a room, three
 * landscapes, a lamp, a meadow), reduced 4 to 6 times, blurred by Gaussians and discs,
 * unsharp masked by 0, .6 and 1.2, kept as JPEG of quality 80 to 97. blur_knot_px is the deviation of the
 * whole point spread function, the aperture of the pixel included.
 */
#ifndef RANK_BLUR_TABLE_H
#define RANK_BLUR_TABLE_H

/* Squared Laplacian to squared gradient at scale 1; squared gradients at scales 1 : 2, 2 : 4, 4 : 8. */
enum { BLUR_RATIOS = 4, BLUR_KNOTS = 12 };

static const double blur_knot_px[BLUR_KNOTS] = {0.380, 0.507, 0.676, 0.901, 1.201, 1.602,
                                                2.135, 2.847, 3.797, 5.062, 6.750, 9.000};
/* Means of the logarithms, then their covariances: 11 12 13 14 22 23 24 33 34 44. */
static const double blur_table[BLUR_KNOTS][14] = {
    {2.378, -0.219, -0.265, -0.288, 0.4561, 0.1149, 0.0527, 0.0320, 0.1174, 0.0605, 0.0285, 0.0830, 0.0664,
     0.1015},
    {1.660, -0.323, -0.285, -0.290, 0.2523, 0.0911, 0.0495, 0.0265, 0.0759, 0.0555, 0.0319, 0.0847, 0.0709,
     0.1056},
    {0.905, -0.452, -0.311, -0.293, 0.1513, 0.0708, 0.0421, 0.0194, 0.0532, 0.0518, 0.0335, 0.0847, 0.0733,
     0.1076},
    {0.142, -0.668, -0.391, -0.314, 0.1197, 0.0449, 0.0314, 0.0113, 0.0339, 0.0421, 0.0299, 0.0774, 0.0709,
     0.1058},
    {-0.511, -0.893, -0.520, -0.356, 0.1284, 0.0297, 0.0270, 0.0102, 0.0178, 0.0288, 0.0233, 0.0632, 0.0636,
     0.0996},
    {-0.994, -1.068, -0.681, -0.422, 0.1391, 0.0148, 0.0182, 0.0088, 0.0079, 0.0164, 0.0164, 0.0437, 0.0518,
     0.0890},
    {-1.445, -1.195, -0.865, -0.523, 0.2124, 0.0081, 0.0061, 0.0029, 0.0034, 0.0083, 0.0111, 0.0255, 0.0374,
     0.0739},
    {-1.756, -1.275, -1.024, -0.660, 0.4011, 0.0075, 0.0030, -0.0014, 0.0019, 0.0033, 0.0062, 0.0123, 0.0230,
     0.0531},
    {-1.817, -1.329, -1.146, -0.822, 0.6325, -0.0018, 0.0013, -0.0046, 0.0018, 0.0014, 0.0033, 0.0061, 0.0136,
     0.0351},
    {-1.702, -1.365, -1.230, -0.976, 1.1133, -0.0145, 0.0006, -0.0070, 0.0021, 0.0007, 0.0015, 0.0032, 0.0076,
     0.0214},
    {-1.433, -1.389, -1.287, -1.105, 1.5465, -0.0233, 0.0005, -0.0075, 0.0025, 0.0004, 0.0007, 0.0018, 0.0042,
     0.0125},
    {-1.031, -1.406, -1.326, -1.208, 1.6549, -0.0240, 0.0017, -0.0035, 0.0028, 0.0004, 0.0004, 0.0013, 0.0026,
     0.0077},
};

#endif
