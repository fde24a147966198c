#ifndef CARDGEN_PICTURE_H
#define CARDGEN_PICTURE_H
/* One frame of a burst: birds over the scene, through the lens on the sensor, and the truth about it. A bench
 * may hand in bursts of its own making; those of the demo card come from script_bursts(). */
#include "script.h"
#include "sensor.h"

struct picture_bird {
    bool present;     /* some of it is inside the picture */
    float x, y, w, h; /* box of its outline, clipped to the picture, px of the stored picture */
    float blur_px;    /* Gaussian-equivalent radius, lens_sigma_px() */
    float line_px;    /* motion during the exposure */
    float plane_mm;   /* from the plane of focus, positive = beyond it */
    float visible;    /* share of its outline that is in the picture and not behind something */
    bool cut, hidden, landed;
};

struct picture_truth {
    struct picture_bird bird[2];
};

/* Draws one set-up after another; keeps the last scene, since the frames of a burst share it. */
struct painter;

struct painter *painter_new(uint64_t seed, int long_px, int short_px);
void painter_free(struct painter *p);

/* The picture as stored (long edge across), 8-bit RGB, owned by the painter, valid until the next call. */
const uint8_t *painter_frame(struct painter *p, const struct burst_script *b, int frame,
                             struct picture_truth *truth);

/* The raw mosaic of the frame that painter_frame() drew last; landscape bursts only. */
const uint16_t *painter_raw(struct painter *p);

#endif
