#ifndef CARDGEN_SENSOR_H
#define CARDGEN_SENSOR_H
/* From light to numbers: exposure, shot and read noise, tone curve; and the raw mosaic of the same light. */
#include <stdint.h>
#include "canvas.h"

#define SENSOR_BLACK 64
#define SENSOR_WHITE 4095

/* Response of the sensor's colours to white light (red, green, blue), so that a raw needs a white balance. */
extern const float sensor_neutral[3];

struct sensor; /* noise tile and tone curve, made once a process */

struct sensor *sensor_new(uint64_t seed);
void sensor_free(struct sensor *s);

/* The camera's own picture, 8-bit sRGB, w*h*3. Noise has the variance v*iso/(100*40000) + (0.0009*iso/800)^2
 * at level v and the slight correlation between neighbours that demosaicing leaves. */
void sensor_develop(const struct sensor *s, const struct canvas *light, float gain, int iso, uint64_t frame,
                    uint8_t *rgb);

/* RGGB mosaic, w*h 16-bit values from SENSOR_BLACK to SENSOR_WHITE, with white noise of the same variance. */
void sensor_mosaic(const struct sensor *s, const struct canvas *light, float gain, int iso, uint64_t frame,
                   uint16_t *raw);

#endif
