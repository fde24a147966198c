/*
 * raw.c - raw files through LibRaw 0.20, from memory only.
 *
 * What LibRaw reports is not enough: a header without data decodes to black without an error, and a preview
 * that is cut comes with success. So the size is held against the claim, every data-error callback counts,
 * rows that are constant are counted, and a preview must decode as a JPEG before one row of it is handed on.
 */
#include <dlfcn.h>
#include <stdlib.h>
#include <string.h>

#include <libraw/libraw.h>

#include "decoders.h"

enum {
    PREVIEW_EDGE_MIN_PX = 640,
    RAW_MEMORY_MAX_MB = 1024,
    RGB = 3,
};
static const double BYTES_A_PIXEL_MIN = .05;

struct raw {
    libraw_data_t *lib;
    const uint8_t *bytes;
    size_t size;
    uint32_t width_px, height_px; /* of the frame */
    bool damaged;                 /* LibRaw ran into the end or into nonsense */
};

static void on_damage(void *context, const char *file, const int offset)
{
    struct raw *raw = context;
    (void)file;
    (void)offset;
    raw->damaged = true;
}

/* LibRaw's OpenMP loops start threads, which a worker may not; one thread needs none. The library that has
   the call comes with LibRaw, or not at all. */
static void stay_single_threaded(void)
{
    void (*set_threads)(int) = NULL;
    void *symbol = dlsym(RTLD_DEFAULT, "omp_set_num_threads");
    memcpy(&set_threads, &symbol, sizeof symbol);
    if (set_threads != NULL)
        set_threads(1);
}

static bool fail_lib(const struct raw *raw, int code, const char *what, struct err *err)
{
    int version = libraw_versionNumber();
    if (code == LIBRAW_UNSUFFICIENT_MEMORY)
        return err_nomem(err);
    if (raw->damaged || code == LIBRAW_IO_ERROR)
        return err_set(err, ERR_FORMAT, "the raw is damaged or cut short: %s", what);
    if (code == LIBRAW_FILE_UNSUPPORTED)
        return err_set(err, ERR_FORMAT, "this is not a raw file that LibRaw %d.%d.%d knows", version >> 16,
                       version >> 8 & 255, version & 255);
    return err_set(err, ERR_FORMAT, "the raw cannot be decoded: %s (%s)", what, libraw_strerror(code));
}

/* Opens the file and refuses what holds too few bytes for what it claims. */
static bool open_raw(struct raw *raw, const uint8_t *bytes, size_t size, struct err *err)
{
    stay_single_threaded();
    *raw = (struct raw){.lib = libraw_init(0), .bytes = bytes, .size = size};
    if (raw->lib == NULL)
        return err_nomem(err);
    if (size == 0)
        return err_set(err, ERR_FORMAT, "the file is empty");
    libraw_set_dataerror_handler(raw->lib, on_damage, raw);
    raw->lib->params.max_raw_memory_mb = RAW_MEMORY_MAX_MB;
    /* LibRaw does not write to the buffer; its C interface lacks the const. */
    int code = libraw_open_buffer(raw->lib, (void *)(uintptr_t)bytes, size);
    if (code != LIBRAW_SUCCESS)
        return fail_lib(raw, code, "its header cannot be read", err);
    raw->width_px = raw->lib->sizes.width;
    raw->height_px = raw->lib->sizes.height;
    double claimed = (double)raw->lib->sizes.raw_width * raw->lib->sizes.raw_height;
    if (raw->width_px == 0 || raw->height_px == 0 || claimed <= 0)
        return err_set(err, ERR_FORMAT, "the raw holds no picture");
    if ((double)size < BYTES_A_PIXEL_MIN * claimed)
        return err_set(err, ERR_FORMAT, "the raw has only a header: %zu bytes for %u x %u px", size,
                       raw->width_px, raw->height_px);
    if (raw->damaged)
        return fail_lib(raw, LIBRAW_IO_ERROR, "its header points outside the file", err);
    return true;
}

static void close_raw(struct raw *raw)
{
    if (raw->lib != NULL)
        libraw_close(raw->lib);
}

/* The embedded JPEG, if it is there and large enough to be scored. */
static bool find_preview(struct raw *raw, const uint8_t **bytes, size_t *size, uint32_t side[2])
{
    int code = libraw_unpack_thumb(raw->lib);
    const libraw_thumbnail_t *thumb = &raw->lib->thumbnail;
    bool damaged = raw->damaged;
    raw->damaged = false; /* a bad preview says nothing about the raw data */
    if (code != LIBRAW_SUCCESS || damaged || thumb->tformat != LIBRAW_THUMBNAIL_JPEG || thumb->thumb == NULL)
        return false;
    *bytes = (const uint8_t *)thumb->thumb;
    *size = thumb->tlength;
    if (!decode_jpeg_size(*bytes, *size, &side[0], &side[1], NULL))
        return false;
    uint32_t edge = side[0] > side[1] ? side[0] : side[1];
    uint32_t full_edge = raw->width_px > raw->height_px ? raw->width_px : raw->height_px;
    return edge >= PREVIEW_EDGE_MIN_PX && 2 * (uint64_t)edge >= full_edge &&
           4 * (uint64_t)side[0] * side[1] >= (uint64_t)raw->width_px * raw->height_px;
}

/* Rows of raw samples with one value only. */
static bool mostly_constant(const struct raw *raw)
{
    const libraw_image_sizes_t *s = &raw->lib->sizes;
    const uint16_t *samples = raw->lib->rawdata.raw_image;
    if (samples == NULL)
        return false;
    size_t pitch = s->raw_pitch / sizeof *samples, constant = 0;
    for (size_t y = 0; y < s->height; y++) {
        const uint16_t *row = samples + (y + s->top_margin) * pitch + s->left_margin;
        size_t x = 1;
        while (x < s->width && row[x] == row[0])
            x++;
        constant += x >= s->width;
    }
    return 2 * constant > s->height;
}

/* The same for a picture: raws of three colours a pixel have no raw_image. */
static bool picture_mostly_constant(const libraw_processed_image_t *image)
{
    size_t row_bytes = (size_t)image->width * RGB, constant = 0;
    for (size_t y = 0; y < image->height; y++) {
        const uint8_t *row = image->data + y * row_bytes;
        constant += memcmp(row, row + RGB, row_bytes - RGB) == 0;
    }
    return 2 * constant > image->height;
}

/* An RGB picture at half size, not rotated, with the same tone curve for every frame of a burst. Freed with
   libraw_dcraw_clear_mem. */
static libraw_processed_image_t *decode_half(struct raw *raw, struct err *err)
{
    libraw_output_params_t *p = &raw->lib->params;
    p->half_size = 1;
    p->use_camera_wb = 1;
    p->no_auto_bright = 1;
    p->user_flip = 0;
    p->output_bps = 8;
    int code = libraw_unpack(raw->lib);
    if (code != LIBRAW_SUCCESS || raw->damaged) {
        fail_lib(raw, code, "its data end early", err);
        return NULL;
    }
    if (mostly_constant(raw)) {
        err_set(err, ERR_FORMAT, "the raw holds no picture: more than half of its rows are blank");
        return NULL;
    }
    code = libraw_dcraw_process(raw->lib);
    libraw_processed_image_t *image = NULL;
    if (code == LIBRAW_SUCCESS)
        image = libraw_dcraw_make_mem_image(raw->lib, &code);
    if (image == NULL || raw->damaged) {
        fail_lib(raw, code, "no picture can be made of its data", err);
    } else if (image->type != LIBRAW_IMAGE_BITMAP || image->colors != RGB || image->bits != 8) {
        err_set(err, ERR_FORMAT, "the raw has %u colours of %u bits", image->colors, image->bits);
    } else if (picture_mostly_constant(image)) {
        err_set(err, ERR_FORMAT, "the raw holds no picture: more than half of its rows are blank");
    } else {
        return image;
    }
    if (image != NULL)
        libraw_dcraw_clear_mem(image);
    return NULL;
}

/* Rows kept until the whole preview has decoded: a sink cannot take rows back. */
struct kept {
    struct decode_source source;
    uint8_t *luma, *next;
};

static bool keep_begin(void *context, const struct decode_source *source, struct err *err)
{
    struct kept *k = context;
    k->source = *source;
    k->luma = k->next = malloc((size_t)source->width_px * source->height_px);
    return k->luma != NULL || err_nomem(err);
}

static void keep_row(void *context, const uint8_t *luma)
{
    struct kept *k = context;
    memcpy(k->next, luma, k->source.width_px);
    k->next += k->source.width_px;
}

static bool hand_on(const struct kept *k, const struct decode_sink *sink, struct err *err)
{
    if (!sink->begin(sink->context, &k->source, err))
        return false;
    for (uint32_t y = 0; y < k->source.height_px; y++)
        sink->row(sink->context, k->luma + (size_t)y * k->source.width_px);
    return true;
}

/* Luma of sRGB bytes as JPEG defines it: .299 R + .587 G + .114 B (ITU-R BT.601), in 1/65536. */
static void luma_of_rgb(const uint8_t *rgb, size_t width, uint8_t *luma)
{
    for (size_t x = 0; x < width; x++, rgb += RGB)
        luma[x] = (uint8_t)((19595u * rgb[0] + 38470u * rgb[1] + 7471u * rgb[2] + 32768u) >> 16);
}

static bool hand_on_half(const libraw_processed_image_t *image, const struct decode_source *source,
                         const struct decode_sink *sink, struct err *err)
{
    uint8_t *row = malloc(image->width);
    if (row == NULL)
        return err_nomem(err);
    bool ok = sink->begin(sink->context, source, err);
    for (size_t y = 0; ok && y < image->height; y++) {
        luma_of_rgb(image->data + y * image->width * RGB, image->width, row);
        sink->row(sink->context, row);
    }
    free(row);
    return ok;
}

/* True when the preview was decoded and handed on; false with `tried` when the sink refused it. */
static bool luma_of_preview(struct raw *raw, const struct decode_sink *sink, struct decode_source *source,
                            bool *tried, struct err *err)
{
    const uint8_t *bytes;
    size_t size;
    uint32_t side[2];
    if (!find_preview(raw, &bytes, &size, side))
        return false;
    struct kept kept = {0};
    const struct decode_sink keeper = {.context = &kept, .begin = keep_begin, .row = keep_row};
    bool ok = decode_jpeg_decoder.luma(bytes, size, &keeper, &kept.source, NULL);
    if (ok) {
        *tried = true;
        kept.source.full_width_px = raw->width_px;
        kept.source.full_height_px = raw->height_px;
        kept.source.from = DECODE_PREVIEW;
        ok = hand_on(&kept, sink, err);
        if (ok)
            *source = kept.source;
    }
    free(kept.luma);
    return ok;
}

static bool luma(const uint8_t *bytes, size_t size, const struct decode_sink *sink,
                 struct decode_source *source, struct err *err)
{
    struct raw raw = {0};
    bool tried = false, ok = false;
    libraw_processed_image_t *half = NULL;
    if (!open_raw(&raw, bytes, size, err))
        goto out;
    ok = luma_of_preview(&raw, sink, source, &tried, err);
    if (ok || tried)
        goto out;
    half = decode_half(&raw, err);
    if (half == NULL)
        goto out;
    struct decode_source made = {.width_px = half->width,
                                 .height_px = half->height,
                                 .full_width_px = raw.width_px,
                                 .full_height_px = raw.height_px,
                                 .from = DECODE_HALF};
    ok = hand_on_half(half, &made, sink, err);
    if (ok)
        *source = made;
out:
    if (half != NULL)
        libraw_dcraw_clear_mem(half);
    close_raw(&raw);
    return ok;
}

/* The box in px of the frame, in px of a picture of it with other sides. */
static void scale_box(const uint32_t box[4], const struct raw *raw, uint32_t width, uint32_t height,
                      uint32_t out[4])
{
    struct crop plan = decode_crop_plan(box, UINT32_MAX, raw->width_px, raw->height_px);
    for (unsigned i = 0; i < 4; i++) {
        uint64_t side = i % 2 == 0 ? width : height, full = i % 2 == 0 ? raw->width_px : raw->height_px;
        out[i] = (uint32_t)(plan.box[i] * side / full);
    }
    for (unsigned i = 2; i < 4; i++)
        if (out[i] == 0)
            out[i] = 1;
}

static bool crop_of_half(const libraw_processed_image_t *half, const uint32_t box[4], uint32_t max_edge_px,
                         struct decode_picture *picture, struct err *err)
{
    struct crop plan = decode_crop_plan(box, max_edge_px, half->width, half->height);
    struct decode_picture whole = {0};
    if (!decode_picture_alloc(&whole, half->width, half->height, err))
        return false;
    memcpy(whole.rgb, half->data, (size_t)half->width * half->height * RGB);
    decode_picture_cut(&whole, plan.box[0], plan.box[1], plan.box[2], plan.box[3]);
    decode_picture_shrink(&whole, plan.shrink);
    *picture = whole;
    return true;
}

static bool crop(const uint8_t *bytes, size_t size, const uint32_t box[4], uint32_t max_edge_px,
                 struct decode_picture *picture, struct err *err)
{
    struct raw raw = {0};
    bool ok = false;
    libraw_processed_image_t *half = NULL;
    const uint8_t *preview;
    size_t preview_size;
    uint32_t side[2], scaled[4];
    if (!open_raw(&raw, bytes, size, err))
        goto out;
    if (find_preview(&raw, &preview, &preview_size, side)) {
        scale_box(box, &raw, side[0], side[1], scaled);
        ok = decode_jpeg_decoder.crop(preview, preview_size, scaled, max_edge_px, picture, NULL);
        if (ok)
            goto out;
    }
    half = decode_half(&raw, err);
    if (half == NULL)
        goto out;
    scale_box(box, &raw, half->width, half->height, scaled);
    ok = crop_of_half(half, scaled, max_edge_px, picture, err);
out:
    if (half != NULL)
        libraw_dcraw_clear_mem(half);
    close_raw(&raw);
    return ok;
}

const struct decoder decode_raw_decoder = {luma, crop};
