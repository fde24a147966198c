#include "fileout.h"
#include "canvas.h"
#include "sensor.h"
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <jpeglib.h>

#define SERIAL "EX0001729"
#define LENS_MODEL "Example 200mm F2"

void jpeg_write(struct bytes *out, const uint8_t *rgb, int w, int h, struct jpeg_weight weight,
                const struct bytes *exif)
{
    struct jpeg_compress_struct c;
    struct jpeg_error_mgr err;
    unsigned char *mem = NULL;
    unsigned long size = 0;
    c.err = jpeg_std_error(&err);
    jpeg_create_compress(&c);
    jpeg_mem_dest(&c, &mem, &size);
    c.image_width = (JDIMENSION)w;
    c.image_height = (JDIMENSION)h;
    c.input_components = 3;
    c.in_color_space = JCS_RGB;
    jpeg_set_defaults(&c);
    jpeg_set_quality(&c, weight.quality, TRUE);
    if (weight.all_rows)
        c.comp_info[0].v_samp_factor = 1;
    c.write_JFIF_header = exif ? FALSE : TRUE; /* an Exif file starts with APP1 */
    jpeg_start_compress(&c, TRUE);
    if (exif)
        jpeg_write_marker(&c, JPEG_APP0 + 1, exif->data, (unsigned)exif->size);
    while (c.next_scanline < c.image_height) {
        /* libjpeg reads the row only */
        JSAMPROW row = (JSAMPROW)(uintptr_t)(rgb + (size_t)c.next_scanline * (size_t)w * 3);
        jpeg_write_scanlines(&c, &row, 1);
    }
    jpeg_finish_compress(&c);
    jpeg_destroy_compress(&c);
    bytes_add(out, mem, size);
    free(mem);
}

void rgb_shrink(const uint8_t *rgb, int w, int h, uint8_t *out, int ow, int oh)
{
    int bw = ow, bh = ow * h / w; /* the box that keeps the shape */
    if (bh > oh) {
        bh = oh;
        bw = oh * w / h;
    }
    memset(out, 0, (size_t)ow * (size_t)oh * 3);
    for (int y = 0; y < bh; y++)
        for (int x = 0; x < bw; x++) {
            int xa = x * w / bw, xb = (x + 1) * w / bw, ya = y * h / bh, yb = (y + 1) * h / bh;
            unsigned sum[3] = {0}, n = 0;
            for (int j = ya; j < yb || j == ya; j++)
                for (int i = xa; i < xb || i == xa; i++, n++)
                    for (int k = 0; k < 3; k++)
                        sum[k] += rgb[((size_t)j * (size_t)w + (size_t)i) * 3 + (size_t)k];
            uint8_t *d = out + ((size_t)(y + (oh - bh) / 2) * (size_t)ow + (size_t)(x + (ow - bw) / 2)) * 3;
            for (int k = 0; k < 3; k++)
                d[k] = (uint8_t)((sum[k] + n / 2) / n);
        }
}

/* 36 x 27 mm beside the diagonal of film, 36 x 24 mm. */
#define CROP (43.2666f / 45.0f)

/* Tag numbers: Exif 2.32 (CIPA DC-008) as listed by ExifTool 12.57. */
static void exif_tags(struct tiff_ifd *d, const struct exif_facts *f, int for_dng)
{
    uint32_t one_over = (uint32_t)lroundf(1.0f / f->exposure_s);
    tiff_rational(d, 0x829a, 1, one_over);
    tiff_rational(d, 0x829d, (uint32_t)lroundf(f->fnumber * 10), 10);
    tiff_short(d, 0x8822, 3); /* aperture priority */
    tiff_short(d, 0x8827, (unsigned)f->iso);
    tiff_undefined(d, 0x9000, "0232");
    tiff_ascii(d, 0x9003, f->date_time);
    tiff_ascii(d, 0x9004, f->date_time);
    tiff_ascii(d, 0x9010, f->offset);
    tiff_ascii(d, 0x9011, f->offset);
    if (!for_dng)
        tiff_undefined(d, 0x9101, "\1\2\3");
    tiff_short(d, 0x9209, 16); /* no flash */
    tiff_rational(d, 0x920a, (uint32_t)lroundf(f->focal_mm * 10), 10);
    tiff_ascii(d, 0x9290, f->sub_sec);
    tiff_ascii(d, 0x9291, f->sub_sec);
    tiff_ascii(d, 0x9292, f->sub_sec);
    if (!for_dng) {
        tiff_undefined(d, 0xa000, "0100");
        tiff_short(d, 0xa001, 1); /* sRGB */
        tiff_long(d, 0xa002, f->image_w);
        tiff_long(d, 0xa003, f->image_h);
    }
    tiff_short(d, 0xa405, (unsigned)lroundf(f->focal_mm * CROP));
    tiff_ascii(d, 0xa431, SERIAL);
    tiff_ascii(d, 0xa434, LENS_MODEL);
}

void exif_block(struct bytes *out, const struct exif_facts *f, const uint8_t *rgb, int w, int h)
{
    uint8_t small[160 * 120 * 3];
    struct bytes thumb = {0};
    struct tiff_ifd ifd0 = {0}, exif = {0}, ifd1 = {0};
    rgb_shrink(rgb, w, h, small, 160, 120);
    jpeg_write(&thumb, small, 160, 120, (struct jpeg_weight){80, false}, NULL);
    tiff_ascii(&ifd0, 0x010f, "Example");
    tiff_ascii(&ifd0, 0x0110, "Demo-1");
    tiff_short(&ifd0, 0x0112, (unsigned)f->orientation);
    tiff_rational(&ifd0, 0x011a, 72, 1);
    tiff_rational(&ifd0, 0x011b, 72, 1);
    tiff_short(&ifd0, 0x0128, 2);
    tiff_ascii(&ifd0, 0x0132, f->date_time);
    tiff_short(&ifd0, 0x0213, 1);
    if (f->rating > 0)
        tiff_short(&ifd0, 0x4746, (unsigned)f->rating);
    tiff_long(&ifd0, 0x8769, 0);
    exif_tags(&exif, f, 0);
    tiff_short(&ifd1, 0x0103, 6);
    tiff_short(&ifd1, 0x0112, (unsigned)f->orientation);
    tiff_rational(&ifd1, 0x011a, 72, 1);
    tiff_rational(&ifd1, 0x011b, 72, 1);
    tiff_short(&ifd1, 0x0128, 2);
    tiff_long(&ifd1, 0x0201, 0);
    tiff_long(&ifd1, 0x0202, (uint32_t)thumb.size);
    uint32_t exif_at = 8 + tiff_size(&ifd0), ifd1_at = exif_at + tiff_size(&exif);
    tiff_set(&ifd0, 0x8769, exif_at);
    tiff_set(&ifd1, 0x0201, ifd1_at + tiff_size(&ifd1));
    bytes_add(out, "Exif\0\0II*\0\10\0\0\0", 14);
    tiff_write(out, &ifd0, 8, ifd1_at);
    tiff_write(out, &exif, exif_at, 0);
    tiff_write(out, &ifd1, ifd1_at, 0);
    bytes_add(out, thumb.data, thumb.size);
    bytes_free(&thumb);
}

static void dng_raw_tags(struct tiff_ifd *d, const struct exif_facts *f)
{
    tiff_long(d, 254, 0);
    tiff_long(d, 256, f->image_w);
    tiff_long(d, 257, f->image_h);
    tiff_short(d, 258, 16);
    tiff_short(d, 259, 1);
    tiff_short(d, 262, 32803); /* colour filter array */
    tiff_long(d, 273, 0);
    tiff_short(d, 277, 1);
    tiff_long(d, 278, f->image_h);
    tiff_long(d, 279, 2 * f->image_w * f->image_h);
    tiff_short(d, 284, 1);
    tiff_add(d, 33421, TIFF_SHORT, 2, (uint32_t[]){2, 2});
    tiff_add(d, 33422, TIFF_BYTE, 4, (uint32_t[]){0, 1, 1, 2}); /* RGGB */
    tiff_short(d, 50714, SENSOR_BLACK);
    tiff_long(d, 50717, SENSOR_WHITE);
}

/* XYZ (D65) to the sensor's colours: those of linear sRGB (IEC 61966-2-1) times the neutral. */
static void dng_colour(struct tiff_ifd *d)
{
    static const double m[3][3] = {
        {3.2406, -1.5372, -0.4986}, {-0.9689, 1.8758, 0.0415}, {0.0557, -0.2040, 1.0570}};
    uint32_t v[18];
    for (int i = 0; i < 9; i++) {
        v[2 * i] = (uint32_t)(int32_t)lround(m[i / 3][i % 3] * (double)sensor_neutral[i / 3] * 10000);
        v[2 * i + 1] = 10000;
    }
    tiff_add(d, 50721, TIFF_SRATIONAL, 9, v);
    uint32_t n[6];
    for (int i = 0; i < 3; i++) {
        n[2 * i] = (uint32_t)lroundf(sensor_neutral[i] * 10000);
        n[2 * i + 1] = 10000;
    }
    tiff_add(d, 50728, TIFF_RATIONAL, 3, n);
    tiff_short(d, 50778, 21); /* D65 */
}

void dng_write(struct bytes *out, const struct exif_facts *f, const uint16_t *raw,
               const struct bytes *preview, int preview_w, int preview_h)
{
    struct tiff_ifd ifd0 = {0}, sub = {0}, exif = {0};
    tiff_long(&ifd0, 254, 1);
    tiff_long(&ifd0, 256, (uint32_t)preview_w);
    tiff_long(&ifd0, 257, (uint32_t)preview_h);
    tiff_add(&ifd0, 258, TIFF_SHORT, 3, (uint32_t[]){8, 8, 8});
    tiff_short(&ifd0, 259, 7);
    tiff_short(&ifd0, 262, 6);
    tiff_ascii(&ifd0, 271, "Example");
    tiff_ascii(&ifd0, 272, "Demo-1");
    tiff_long(&ifd0, 273, 0);
    tiff_short(&ifd0, 274, (unsigned)f->orientation);
    tiff_short(&ifd0, 277, 3);
    tiff_long(&ifd0, 278, (uint32_t)preview_h);
    tiff_long(&ifd0, 279, (uint32_t)preview->size);
    tiff_short(&ifd0, 284, 1);
    tiff_long(&ifd0, 330, 0);
    tiff_long(&ifd0, 34665, 0);
    tiff_add(&ifd0, 50706, TIFF_BYTE, 4, (uint32_t[]){1, 4, 0, 0});
    tiff_add(&ifd0, 50707, TIFF_BYTE, 4, (uint32_t[]){1, 1, 0, 0});
    tiff_ascii(&ifd0, 50708, "Example Demo-1");
    dng_colour(&ifd0);
    dng_raw_tags(&sub, f);
    exif_tags(&exif, f, 1);
    uint32_t sub_at = 8 + tiff_size(&ifd0), exif_at = sub_at + tiff_size(&sub);
    uint32_t preview_at = exif_at + tiff_size(&exif),
             raw_at = (preview_at + (uint32_t)preview->size + 1) & ~1u;
    tiff_set(&ifd0, 330, sub_at);
    tiff_set(&ifd0, 34665, exif_at);
    tiff_set(&ifd0, 273, preview_at);
    tiff_set(&sub, 273, raw_at);
    bytes_add(out, "II*\0\10\0\0\0", 8);
    tiff_write(out, &ifd0, 8, 0);
    tiff_write(out, &sub, sub_at, 0);
    tiff_write(out, &exif, exif_at, 0);
    bytes_add(out, preview->data, preview->size);
    if (out->size < raw_at)
        bytes_add(out, "", 1);
    bytes_add(out, raw,
              (size_t)f->image_w * f->image_h * 2); /* this program runs on little-endian machines */
}
