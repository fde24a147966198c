#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>

#include "maker.h"

static void *need(void *p)
{
    if (p == NULL) {
        fprintf(stderr, "maker: out of memory\n");
        exit(99);
    }
    return p;
}

static uint32_t next_random(uint32_t *state)
{
    *state = *state * 1664525u + 1013904223u;
    return *state >> 8;
}

static uint8_t clamp(double v)
{
    return (uint8_t)(v < 0 ? 0 : v > 255 ? 255 : v);
}

uint8_t *make_picture(uint32_t width_px, uint32_t height_px, uint32_t seed)
{
    uint8_t *rgb = need(malloc((size_t)width_px * height_px * 3));
    uint32_t state = seed + 1;
    for (uint32_t y = 0; y < height_px; y++)
        for (uint32_t x = 0; x < width_px; x++) {
            double shade = 90 + 60 * sin(x * .011 + seed) * cos(y * .013) + 25 * sin((x + 2.0 * y) * .21);
            double board = (x / 37 + y / 53 + seed) % 7 == 0 ? 45 : 0;
            double grain = (double)(next_random(&state) % 17) - 8;
            uint8_t *p = rgb + ((size_t)y * width_px + x) * 3;
            p[0] = clamp(shade + board + grain);
            p[1] = clamp(shade * .9 + board + grain + 12);
            p[2] = clamp(shade * .7 + grain + 40);
        }
    return rgb;
}

static void set_space(struct jpeg_compress_struct *c, enum make_space space)
{
    bool four = space == MAKE_CMYK || space == MAKE_YCCK;
    c->input_components = four ? 4 : 3;
    c->in_color_space = four ? JCS_CMYK : JCS_RGB;
    jpeg_set_defaults(c);
    jpeg_set_colorspace(c, space == MAKE_GREY   ? JCS_GRAYSCALE
                           : space == MAKE_CMYK ? JCS_CMYK
                           : space == MAKE_YCCK ? JCS_YCCK
                                                : JCS_YCbCr);
}

/* One scan for all DC, then one for each AC coefficient of each component. */
static void set_many_scans(struct jpeg_compress_struct *c, jpeg_scan_info scans[190])
{
    memset(scans, 0, 190 * sizeof scans[0]);
    scans[0].comps_in_scan = 3;
    for (int i = 0; i < 3; i++)
        scans[0].component_index[i] = i;
    for (int i = 0; i < 189; i++) {
        scans[1 + i].comps_in_scan = 1;
        scans[1 + i].component_index[0] = i / 63;
        scans[1 + i].Ss = scans[1 + i].Se = 1 + i % 63;
    }
    c->scan_info = scans;
    c->num_scans = 190;
}

static void write_rows(struct jpeg_compress_struct *c, const uint8_t *rgb)
{
    uint8_t *four = need(malloc((size_t)c->image_width * 4));
    while (c->next_scanline < c->image_height) {
        JSAMPROW row = (JSAMPROW)(uintptr_t)(rgb + (size_t)c->next_scanline * c->image_width * 3);
        if (c->input_components == 4) {
            for (size_t x = 0; x < c->image_width; x++) {
                memcpy(four + 4 * x, row + 3 * x, 3);
                four[4 * x + 3] = 20;
            }
            row = four;
        }
        jpeg_write_scanlines(c, &row, 1);
    }
    free(four);
}

struct bytes make_jpeg(const struct make_jpeg *how)
{
    struct jpeg_compress_struct c;
    struct jpeg_error_mgr errors;
    jpeg_scan_info scans[190];
    unsigned char *out = NULL;
    unsigned long size = 0;
    uint8_t *rgb = make_picture(how->width_px, how->height_px, how->seed);
    c.err = jpeg_std_error(&errors);
    jpeg_create_compress(&c);
    jpeg_mem_dest(&c, &out, &size);
    c.image_width = how->width_px;
    c.image_height = how->height_px;
    set_space(&c, how->space);
    jpeg_set_quality(&c, how->quality > 0 ? how->quality : 90, TRUE);
    if (how->full_chroma)
        c.comp_info[0].h_samp_factor = c.comp_info[0].v_samp_factor = 1;
    if (how->progressive)
        jpeg_simple_progression(&c);
    if (how->many_scans)
        set_many_scans(&c, scans);
    c.arith_code = how->arithmetic;
    c.restart_in_rows = (int)how->restart;
    jpeg_start_compress(&c, TRUE);
    write_rows(&c, rgb);
    jpeg_finish_compress(&c);
    jpeg_destroy_compress(&c);
    free(rgb);
    return (struct bytes){out, size};
}

void make_jpeg_claim(struct bytes *jpeg, uint16_t width_px, uint16_t height_px)
{
    for (size_t i = 2; i + 9 < jpeg->size; i += 2 + (size_t)(jpeg->at[i + 2] << 8 | jpeg->at[i + 3])) {
        if (jpeg->at[i + 1] < 0xC0 || jpeg->at[i + 1] > 0xC2)
            continue;
        uint8_t sides[4] = {(uint8_t)(height_px >> 8), (uint8_t)height_px, (uint8_t)(width_px >> 8),
                            (uint8_t)width_px};
        memcpy(jpeg->at + i + 5, sides, 4);
        return;
    }
}

enum { TIFF_BYTE = 1, TIFF_ASCII, TIFF_SHORT, TIFF_LONG };

struct writer {
    uint8_t *at;
    size_t entries; /* where the next entry goes */
};

static void put16(uint8_t *p, unsigned v)
{
    p[0] = (uint8_t)v;
    p[1] = (uint8_t)(v >> 8);
}

static void put32(uint8_t *p, uint32_t v)
{
    put16(p, v & 0xffff);
    put16(p + 2, v >> 16);
}

static void entry(struct writer *w, unsigned tag, unsigned type, uint32_t count, uint32_t value)
{
    uint8_t *p = w->at + w->entries;
    put16(p, tag);
    put16(p + 2, type);
    put32(p + 4, count);
    put32(p + 8, value);
    w->entries += 12;
}

/* The tags of uncompressed 2 x 2 Bayer data (TIFF/EP and DNG 1.4; what LibRaw 0.20.2 needs was tried out). */
static void raw_entries(struct writer *w, const struct make_dng *how, uint32_t data)
{
    entry(w, 256, TIFF_LONG, 1, how->width_px);
    entry(w, 257, TIFF_LONG, 1, how->height_px);
    entry(w, 258, TIFF_SHORT, 1, 16);
    entry(w, 259, TIFF_SHORT, 1, 1);
    entry(w, 262, TIFF_SHORT, 1, 32803);
    entry(w, 273, TIFF_LONG, 1, data);
    entry(w, 277, TIFF_SHORT, 1, 1);
    entry(w, 278, TIFF_LONG, 1, how->height_px);
    entry(w, 279, TIFF_LONG, 1, 2 * how->width_px * how->height_px);
    entry(w, 33421, TIFF_SHORT, 2, 2u << 16 | 2);
    entry(w, 33422, TIFF_BYTE, 4, 0x02010100);
    entry(w, 50706, TIFF_BYTE, 4, 0x00000401);
    entry(w, 50714, TIFF_SHORT, 1, 64);
    entry(w, 50717, TIFF_LONG, 1, 4095);
}

enum { RAW_ENTRIES = 14, IFD0_ENTRIES = 9, RAW_IFD_AT = 512, DATA_AT = 1024 };

static void preview_entries(struct writer *w, const struct bytes *preview)
{
    entry(w, 254, TIFF_LONG, 1, 1);
    entry(w, 256, TIFF_LONG, 1, 640);
    entry(w, 257, TIFF_LONG, 1, 480);
    entry(w, 259, TIFF_SHORT, 1, 7);
    entry(w, 262, TIFF_SHORT, 1, 6);
    entry(w, 273, TIFF_LONG, 1, DATA_AT);
    entry(w, 279, TIFF_LONG, 1, (uint32_t)preview->size);
    entry(w, 330, TIFF_LONG, 1, RAW_IFD_AT);
    entry(w, 50706, TIFF_BYTE, 4, 0x00000401);
}

static void put_samples(uint8_t *p, const struct make_dng *how)
{
    uint8_t *rgb = make_picture(how->width_px, how->height_px, how->seed);
    for (size_t y = 0; y < how->height_px; y++)
        for (size_t x = 0; x < how->width_px; x++, p += 2) {
            size_t channel = (y & 1) + (x & 1);
            put16(p, how->black ? 64 : 64u + 12u * rgb[(y * how->width_px + x) * 3 + channel]);
        }
    free(rgb);
}

struct bytes make_dng(const struct make_dng *how)
{
    size_t preview_size = how->preview != NULL ? how->preview->size : 0;
    size_t data = (DATA_AT + preview_size + 1) / 2 * 2;
    struct bytes out = {NULL, data + (size_t)2 * how->width_px * how->height_px};
    out.at = need(calloc(1, out.size));
    memcpy(out.at, "II*\0\10\0\0\0", 8);
    struct writer ifd0 = {out.at, 10}, raw = {out.at, 10};
    put16(out.at + 8, RAW_ENTRIES);
    if (how->preview != NULL) {
        put16(out.at + 8, IFD0_ENTRIES);
        preview_entries(&ifd0, how->preview);
        memcpy(out.at + DATA_AT, how->preview->at, preview_size);
        put16(out.at + RAW_IFD_AT, RAW_ENTRIES);
        raw.entries = RAW_IFD_AT + 2;
    }
    raw_entries(&raw, how, (uint32_t)data);
    put_samples(out.at + data, how);
    return out;
}

struct bytes shared_file(const char *name)
{
    char path[256];
    struct bytes b = {NULL, 0};
    snprintf(path, sizeof path, "../shared/data/%s", name);
    FILE *f = fopen(path, "rb");
    if (f == NULL) {
        printf("skipped: no shared data (%s)\n", name);
        return b;
    }
    fseek(f, 0, SEEK_END);
    b.size = (size_t)ftell(f);
    rewind(f);
    b.at = need(malloc(b.size + 1));
    b.size = fread(b.at, 1, b.size, f);
    fclose(f);
    return b;
}
