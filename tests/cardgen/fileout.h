#ifndef CARDGEN_FILEOUT_H
#define CARDGEN_FILEOUT_H
/* The files a camera writes: Exif JPEG and minimal DNG. */
#include <stdbool.h>
#include "tiffout.h"

/* What the camera notes about one exposure. */
struct exif_facts {
    char date_time[20]; /* YYYY:MM:DD HH:MM:SS */
    char sub_sec[8];
    const char *offset; /* +02:00 */
    float exposure_s, fnumber, focal_mm;
    int iso, orientation, rating; /* rating 0 = not written */
    uint32_t image_w, image_h;
};

/* How heavy a JPEG is: quality as the Independent JPEG Group's library counts it, and whether colour keeps
 * all of its rows (4:2:2, as cameras store it) or half of them (4:2:0). */
struct jpeg_weight {
    int quality;
    bool all_rows;
};

/* JPEG of 8-bit RGB. `exif`: payload of an APP1 marker, or NULL for a JFIF file. */
void jpeg_write(struct bytes *out, const uint8_t *rgb, int w, int h, struct jpeg_weight weight,
                const struct bytes *exif);

/* Exif block as the payload of an APP1 marker, with a 160x120 thumbnail made from the picture (DCF;
 * letterboxed where the shape differs). */
void exif_block(struct bytes *out, const struct exif_facts *f, const uint8_t *rgb, int w, int h);

/* Uncompressed RGGB DNG with an embedded JPEG preview. */
void dng_write(struct bytes *out, const struct exif_facts *f, const uint16_t *raw,
               const struct bytes *preview, int preview_w, int preview_h);

/* Averages RGB pictures down into a box of the given size inside out (ow x oh, black around). */
void rgb_shrink(const uint8_t *rgb, int w, int h, uint8_t *out, int ow, int oh);

#endif
