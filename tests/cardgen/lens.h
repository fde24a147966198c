#ifndef CARDGEN_LENS_H
#define CARDGEN_LENS_H
/* The thin lens: how large and how soft a thing at a distance becomes. Distances in mm from the lens. */

/* Blur that every picture has, as a Gaussian-equivalent radius in px: pixel aperture (variance 1/12), lens
 * and demosaicing (1/4); sqrt(1/3). */
#define LENS_BASE_SIGMA_PX 0.57735027f

struct lens {
    float focal_mm;
    float fnumber;
    float focus_mm; /* distance of the plane of focus */
    float pitch_mm; /* of one pixel */
    float exposure_s;
};

/* Image px per mm of subject at a distance: v/(D pitch), v = f s/(s - f). */
float lens_scale_px(const struct lens *l, float distance_mm);

/* Diameter of the blur disc in px: b = (f m/N) |D - s|/D, m = f/(s - f), divided by the pitch. */
float lens_disc_px(const struct lens *l, float distance_mm);

/* Gaussian-equivalent radius. Per axis, a disc of diameter d has the variance d^2/16 and a line of length n
 * has n^2/12 along it and none across it; both axes are averaged: sigma = sqrt(base^2 + disc^2/16 +
 * line^2/24). */
float lens_sigma_px(float disc_px, float line_px);

#endif
