/*
 * jpeg.c - JPEG in and out through libjpeg-turbo. The only file with setjmp.
 *
 * libjpeg reports an error by a call that must not return. `guarded` runs a piece of work and comes back from
 * there; what the work allocated outside libjpeg hangs in its context, so its caller frees it on either way.
 *
 * libjpeg goes on after damage: it makes up rows of grey where data end early. A measure of such rows would
 * be a lie, so the first such warning stops the decode ("cut short"). Other warnings are counted.
 */
#include <ctype.h>
#include <setjmp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>
#include <jerror.h>

#include "decoders.h"

enum {
    SCANS_MAX = 100,    /* of a progressive file: each one costs a pass over all coefficients */
    WARNINGS_MAX = 100, /* beyond, the rest is garbage that happens to parse */
    ROWS_AT_ONCE = 16,
    CROP_MARGIN_PX = 32, /* beside a crop: upsampled colours look over the edge */
    EOI = 0xD9,
    END_MARK_BYTES = 1 << 16,
    SMALL_FILE_BYTES = 4 * END_MARK_BYTES,
};
static const uint64_t PIXELS_MAX = 400 * 1000 * 1000;
static const long MEMORY_MAX_BYTES = 1L
                                     << 30; /* coefficients of a progressive file; 120 MB for 20 megapixels */

struct guard {
    struct jpeg_error_mgr manager; /* first: libjpeg hands out a pointer to it */
    jmp_buf back;
    struct err *err;
    unsigned warnings;
    bool ended;     /* the file ends without its end marker */
    bool cut_short; /* what is decoded from here on is made up */
};

static struct guard *guard_of(j_common_ptr info)
{
    return (struct guard *)(void *)info->err;
}

/* "Unsupported marker type 0x%02x" -> "unsupported marker type 0x12", as our messages read. */
static void lower_first(char *message)
{
    if (isupper((unsigned char)message[0]) && islower((unsigned char)message[1]))
        message[0] = (char)tolower((unsigned char)message[0]);
}

__attribute__((noreturn)) static void on_error(j_common_ptr info)
{
    struct guard *g = guard_of(info);
    char message[JMSG_LENGTH_MAX];
    g->manager.format_message(info, message);
    lower_first(message);
    if (g->manager.msg_code == JERR_OUT_OF_MEMORY)
        err_nomem(g->err);
    else if (g->manager.msg_code == JERR_NO_BACKING_STORE)
        err_set(g->err, ERR_FORMAT, "the picture needs more than %ld MiB to decode", MEMORY_MAX_BYTES >> 20);
    else
        err_set(g->err, ERR_FORMAT, "the JPEG cannot be decoded (%s)", message);
    longjmp(g->back, 1);
}

/* Stops the work with an error that is set already. */
__attribute__((noreturn)) static void give_up(j_common_ptr info)
{
    longjmp(guard_of(info)->back, 1);
}

static void on_message(j_common_ptr info, int level)
{
    struct guard *g = guard_of(info);
    if (level >= 0)
        return;
    g->warnings++;
    if (!info->is_decompressor)
        return;
    const struct jpeg_decompress_struct *d = (const struct jpeg_decompress_struct *)(void *)info;
    if (g->manager.msg_code == JWRN_JPEG_EOF) {
        g->ended = true;
        g->cut_short = g->cut_short || d->arith_code; /* that decoder reads noughts without another word */
    }
    /* The data of this scan are used up. Only a restart marker lets the decoder find its way again. */
    if (g->manager.msg_code == JWRN_HIT_MARKER && (d->unread_marker == EOI || d->restart_interval == 0))
        g->cut_short = true;
}

static void no_output(j_common_ptr info)
{
    (void)info;
}

static void guard_init(struct guard *g, struct err *err)
{
    *g = (struct guard){.err = err};
    jpeg_std_error(&g->manager);
    g->manager.error_exit = on_error;
    g->manager.emit_message = on_message;
    g->manager.output_message = no_output;
}

static bool guarded(struct guard *g, bool (*work)(void *context), void *context)
{
    if (setjmp(g->back) != 0)
        return false;
    return work(context);
}

struct reader {
    struct jpeg_decompress_struct info;
    struct guard guard;
    struct jpeg_progress_mgr progress;
    const uint8_t *bytes;
    size_t size;
    struct err *err;
    const struct decode_sink *sink;
    struct decode_source source;
    uint8_t *rows; /* ROWS_AT_ONCE rows */
    const uint32_t *box;
    uint32_t max_edge_px;
    struct decode_picture picture;
};

/* Called for each row of blocks in each scan: refuses files that would decode for hours. */
static void on_progress(j_common_ptr info)
{
    struct guard *g = guard_of(info);
    const struct jpeg_decompress_struct *d = (const struct jpeg_decompress_struct *)(void *)info;
    if (d->input_scan_number > SCANS_MAX) {
        err_set(g->err, ERR_FORMAT, "the JPEG has more than %d scans", SCANS_MAX);
        give_up(info);
    }
    if (g->cut_short && jpeg_has_multiple_scans((j_decompress_ptr)info)) {
        err_set(g->err, ERR_FORMAT, "the picture is cut short: its data end in scan %d",
                d->input_scan_number);
        give_up(info);
    }
}

static bool fail(struct reader *r, const char *cause)
{
    return err_set(r->err, ERR_FORMAT, "%s", cause);
}

/* Reads the header and refuses what cannot or must not be decoded. */
static bool open_reader(struct reader *r)
{
    if (r->size < 4 || r->bytes[0] != 0xFF || r->bytes[1] != 0xD8)
        return fail(r, r->size == 0 ? "the file is empty" : "this is not a JPEG");
    jpeg_create_decompress(&r->info);
    r->info.mem->max_memory_to_use = MEMORY_MAX_BYTES;
    r->progress.progress_monitor = on_progress;
    r->info.progress = &r->progress;
    jpeg_mem_src(&r->info, r->bytes, (unsigned long)r->size);
    jpeg_read_header(&r->info, TRUE);
    if (r->info.jpeg_color_space == JCS_CMYK || r->info.jpeg_color_space == JCS_YCCK)
        return fail(r, "CMYK colours are not supported");
    if (r->info.jpeg_color_space == JCS_UNKNOWN)
        return err_set(r->err, ERR_FORMAT, "a JPEG of %d components is not supported",
                       r->info.num_components);
    if ((uint64_t)r->info.image_width * r->info.image_height > PIXELS_MAX)
        return err_set(r->err, ERR_FORMAT, "%u x %u px are more than %u megapixels", r->info.image_width,
                       r->info.image_height, (unsigned)(PIXELS_MAX / 1000000));
    r->source = (struct decode_source){.width_px = r->info.image_width,
                                       .height_px = r->info.image_height,
                                       .full_width_px = r->info.image_width,
                                       .full_height_px = r->info.image_height,
                                       .from = DECODE_FULL};
    return true;
}

/* True when every bit of every coefficient has come. */
static bool coefficients_are_whole(const struct jpeg_decompress_struct *d)
{
    for (int c = 0; d->progressive_mode && c < d->num_components; c++)
        for (int k = 0; k < DCTSIZE2; k++)
            if (d->coef_bits[c][k] != 0)
                return false;
    return true;
}

/* All scans of a progressive file are read before the first row comes. */
static bool start(struct reader *r)
{
    jpeg_start_decompress(&r->info);
    if (!jpeg_has_multiple_scans(&r->info))
        return true;
    on_progress((j_common_ptr)&r->info); /* the damage may be in the very last blocks */
    if (r->guard.ended && !coefficients_are_whole(&r->info))
        return err_set(r->err, ERR_FORMAT, "the picture is cut short: its data end in scan %d",
                       r->info.input_scan_number);
    return true;
}

/* False when the rows that were just read are made up or the damage is past counting. `row` is the first. */
static bool rows_are_sound(struct reader *r, uint32_t row, uint32_t rows)
{
    if (r->guard.cut_short)
        return err_set(r->err, ERR_FORMAT, "the picture is cut short: %u of %u rows", row, rows);
    if (r->guard.warnings > WARNINGS_MAX)
        return err_set(r->err, ERR_FORMAT,
                       "the picture is damaged: more than %d errors in the first %u of %u rows", WARNINGS_MAX,
                       row, rows);
    return true;
}

static bool alloc_rows(struct reader *r, size_t row_bytes, JSAMPROW row[ROWS_AT_ONCE])
{
    r->rows = malloc(row_bytes * ROWS_AT_ONCE);
    if (r->rows == NULL)
        return err_nomem(r->err);
    for (size_t i = 0; i < ROWS_AT_ONCE; i++)
        row[i] = r->rows + i * row_bytes;
    return true;
}

/* True where the sink has places and luma comes in whole rows of blocks, as of nearly every camera. */
static bool can_place(const struct reader *r)
{
    const struct jpeg_decompress_struct *d = &r->info;
    const jpeg_component_info *y = &d->comp_info[0];
    return r->sink->place != NULL &&
           (d->jpeg_color_space == JCS_YCbCr || d->jpeg_color_space == JCS_GRAYSCALE) &&
           y->h_samp_factor == d->max_h_samp_factor && y->v_samp_factor == d->max_v_samp_factor &&
           y->v_samp_factor * DCTSIZE <= DECODE_PLACES;
}

/* Luma as the inverse transform writes it, without the copies that the way through colours costs. */
static bool place_luma(struct reader *r)
{
    struct jpeg_decompress_struct *d = &r->info;
    JSAMPROW row[DECODE_PLACES];
    JSAMPARRAY components[MAX_COMPONENTS] = {row};
    JDIMENSION rows = (JDIMENSION)d->max_v_samp_factor * DCTSIZE;
    d->raw_data_out = TRUE;
    for (int i = 1; i < d->num_components; i++)
        d->comp_info[i].component_needed = FALSE;
    if (!start(r))
        return false;
    for (uint32_t y = 0; y < d->output_height; y += rows) {
        for (uint32_t i = 0; i < rows; i++)
            row[i] = r->sink->place(r->sink->context, i);
        (void)jpeg_read_raw_data(d, components, rows);
        if (!rows_are_sound(r, y, d->output_height))
            return false;
        r->sink->placed(r->sink->context, d->output_height - y < rows ? d->output_height - y : rows);
    }
    return true;
}

static bool read_luma(void *context)
{
    struct reader *r = context;
    JSAMPROW row[ROWS_AT_ONCE];
    if (!open_reader(r) || !r->sink->begin(r->sink->context, &r->source, r->err))
        return false;
    if (can_place(r))
        return place_luma(r);
    r->info.out_color_space = JCS_GRAYSCALE;
    if (!alloc_rows(r, r->info.image_width, row) || !start(r))
        return false;
    while (r->info.output_scanline < r->info.output_height) {
        uint32_t y = r->info.output_scanline;
        JDIMENSION n = jpeg_read_scanlines(&r->info, row, ROWS_AT_ONCE);
        if (!rows_are_sound(r, y, r->info.output_height))
            return false;
        for (JDIMENSION i = 0; i < n; i++)
            r->sink->row(r->sink->context, row[i]);
    }
    return true; /* what follows the rows does not matter: no jpeg_finish_decompress */
}

/* The end mark within the last bytes of the file; what a maker puts behind it is small. A small file is not
   asked: it costs little to decode, and its thumbnail has an end mark too. */
static bool has_end_mark(const uint8_t *bytes, size_t size)
{
    size_t stop = size - END_MARK_BYTES;
    for (size_t i = size; size >= SMALL_FILE_BYTES && i > stop + 1; i--)
        if (bytes[i - 1] == EOI && bytes[i - 2] == 0xFF)
            return true;
    return false;
}

/* Rows top .. lower of the columns of the box; the decoder hands out whole blocks. */
static bool read_box_rows(struct reader *r, const uint32_t box[4], uint32_t lower)
{
    JDIMENSION left = box[0], columns = box[2];
    JSAMPROW row[ROWS_AT_ONCE];
    if (columns < r->info.output_width)
        jpeg_crop_scanline(&r->info, &left, &columns);
    if (!alloc_rows(r, r->info.output_width, row))
        return false;
    if (box[1] > 0 && jpeg_skip_scanlines(&r->info, box[1]) != box[1])
        return fail(r, "the picture is cut short");
    while (r->info.output_scanline < lower) {
        uint32_t y = r->info.output_scanline, most = lower - y < ROWS_AT_ONCE ? lower - y : ROWS_AT_ONCE;
        JDIMENSION n = jpeg_read_scanlines(&r->info, row, most);
        if (!rows_are_sound(r, y, r->info.output_height))
            return false;
        for (JDIMENSION i = 0; i < n; i++)
            if (y + i < box[1] + box[3])
                r->sink->row(r->sink->context, row[i] + (box[0] - left));
    }
    return true;
}

static bool read_luma_box(void *context)
{
    struct reader *r = context;
    const uint32_t *box = r->box;
    if (!open_reader(r))
        return false;
    uint32_t width = r->info.image_width, height = r->info.image_height;
    if (box[0] > width || box[2] > width - box[0] || box[1] > height || box[3] > height - box[1])
        return fail(r, "the part to be decoded lies outside the picture");
    bool whole_file = !has_end_mark(r->bytes, r->size);
    if (box[2] == 0 && !whole_file)
        return true;
    r->info.out_color_space = JCS_GRAYSCALE;
    if ((box[2] > 0 && !r->sink->begin(r->sink->context, &r->source, r->err)) || !start(r))
        return false;
    const uint32_t everything[4] = {0, 0, width, 0};
    return read_box_rows(r, box[2] > 0 ? box : everything, whole_file ? height : box[1] + box[3]);
}

static bool run_luma(bool (*work)(void *context), const uint8_t *bytes, size_t size, const uint32_t *box,
                     const struct decode_sink *sink, struct decode_source *source, struct err *err)
{
    struct reader r = {.bytes = bytes, .size = size, .box = box, .sink = sink, .err = err};
    guard_init(&r.guard, err);
    r.info.err = &r.guard.manager;
    bool ok = guarded(&r.guard, work, &r);
    jpeg_destroy_decompress(&r.info);
    free(r.rows);
    if (ok) {
        *source = r.source;
        source->warnings = r.guard.warnings;
    }
    return ok;
}

bool decode_luma_box(const uint8_t *bytes, size_t size, const uint32_t box[4], const struct decode_sink *sink,
                     struct decode_source *source, struct err *err)
{
    return run_luma(read_luma_box, bytes, size, box, sink, source, err);
}

static bool luma(const uint8_t *bytes, size_t size, const struct decode_sink *sink,
                 struct decode_source *source, struct err *err)
{
    return run_luma(read_luma, bytes, size, NULL, sink, source, err);
}

/* Sets the decoder's own scale, 1/1 to 1/8, and tells what is left to shrink. */
static uint32_t choose_scale(struct reader *r, uint32_t shrink)
{
    uint32_t inner = shrink < 8 ? shrink : 8;
    r->info.scale_num = 1;
    r->info.scale_denom = inner;
    return shrink / inner;
}

/* Decodes the rows y .. y + height of the scaled picture, columns x .. x + width, into r->picture. */
static bool read_window(struct reader *r, uint32_t x, uint32_t y, uint32_t width, uint32_t height)
{
    JDIMENSION left = x > CROP_MARGIN_PX ? x - CROP_MARGIN_PX : 0;
    JDIMENSION right =
        r->info.output_width - x - width > CROP_MARGIN_PX ? x + width + CROP_MARGIN_PX : r->info.output_width;
    JDIMENSION columns = right - left;
    uint32_t rows_of_picture = r->info.output_height;
    if (columns < r->info.output_width)
        jpeg_crop_scanline(&r->info, &left, &columns);
    JSAMPROW row[ROWS_AT_ONCE];
    if (!alloc_rows(r, (size_t)r->info.output_width * 3, row) ||
        !decode_picture_alloc(&r->picture, width, height, r->err))
        return false;
    if (y > 0)
        jpeg_skip_scanlines(&r->info, y);
    for (uint32_t done = 0; done < height;) {
        uint32_t most = height - done < ROWS_AT_ONCE ? height - done : ROWS_AT_ONCE;
        JDIMENSION n = jpeg_read_scanlines(&r->info, row, most);
        if (!rows_are_sound(r, y + done, rows_of_picture))
            return false;
        for (JDIMENSION i = 0; i < n; i++, done++)
            memcpy(r->picture.rgb + (size_t)done * width * 3, row[i] + (size_t)(x - left) * 3,
                   (size_t)width * 3);
    }
    return true;
}

static bool read_crop(void *context)
{
    struct reader *r = context;
    if (!open_reader(r))
        return false;
    struct crop plan = decode_crop_plan(r->box, r->max_edge_px, r->info.image_width, r->info.image_height);
    uint32_t left_over = choose_scale(r, plan.shrink), inner = plan.shrink / left_over;
    r->info.out_color_space = JCS_RGB;
    if (!start(r))
        return false;
    uint32_t x = plan.box[0] / inner, y = plan.box[1] / inner;
    uint32_t right = decode_shrunk(plan.box[0] + plan.box[2], inner);
    uint32_t lower = decode_shrunk(plan.box[1] + plan.box[3], inner);
    /* exactly as many columns and rows as the box has, not one more where it starts within a block */
    uint32_t width = decode_shrunk(plan.box[2], inner), height = decode_shrunk(plan.box[3], inner);
    width = right - x < width ? right - x : width;
    height = lower - y < height ? lower - y : height;
    if (!read_window(r, x, y, width, height))
        return false;
    decode_picture_shrink(&r->picture, left_over);
    return true;
}

static bool crop(const uint8_t *bytes, size_t size, const uint32_t box[4], uint32_t max_edge_px,
                 struct decode_picture *picture, struct err *err)
{
    struct reader r = {.bytes = bytes, .size = size, .box = box, .max_edge_px = max_edge_px, .err = err};
    guard_init(&r.guard, err);
    r.info.err = &r.guard.manager;
    bool ok = guarded(&r.guard, read_crop, &r);
    jpeg_destroy_decompress(&r.info);
    free(r.rows);
    if (ok)
        *picture = r.picture;
    else
        decode_picture_release(&r.picture);
    return ok;
}

static bool read_size(void *context)
{
    return open_reader(context);
}

bool decode_jpeg_size(const uint8_t *bytes, size_t size, uint32_t *width_px, uint32_t *height_px,
                      struct err *err)
{
    struct reader r = {.bytes = bytes, .size = size, .err = err};
    guard_init(&r.guard, err);
    r.info.err = &r.guard.manager;
    bool ok = guarded(&r.guard, read_size, &r);
    jpeg_destroy_decompress(&r.info);
    if (ok) {
        *width_px = r.source.width_px;
        *height_px = r.source.height_px;
    }
    return ok;
}

struct writer {
    struct jpeg_compress_struct info;
    struct guard guard;
    const struct decode_picture *picture;
    int quality;
    unsigned char *bytes;
    unsigned long size;
};

static bool write_picture(void *context)
{
    struct writer *w = context;
    jpeg_create_compress(&w->info);
    jpeg_mem_dest(&w->info, &w->bytes, &w->size);
    w->info.image_width = w->picture->width_px;
    w->info.image_height = w->picture->height_px;
    w->info.input_components = 3;
    w->info.in_color_space = JCS_RGB;
    jpeg_set_defaults(&w->info);
    jpeg_set_quality(&w->info, w->quality, TRUE);
    w->info.optimize_coding = TRUE;
    jpeg_start_compress(&w->info, TRUE);
    while (w->info.next_scanline < w->info.image_height) {
        JSAMPROW row = w->picture->rgb + (size_t)w->info.next_scanline * w->picture->width_px * 3;
        jpeg_write_scanlines(&w->info, &row, 1);
    }
    jpeg_finish_compress(&w->info);
    return true;
}

bool decode_encode_jpeg(const struct decode_picture *picture, int quality, uint8_t **bytes, size_t *size,
                        struct err *err)
{
    struct writer w = {.picture = picture, .quality = quality};
    guard_init(&w.guard, err);
    w.info.err = &w.guard.manager;
    bool ok = guarded(&w.guard, write_picture, &w);
    jpeg_destroy_compress(&w.info);
    if (ok) {
        *bytes = w.bytes;
        *size = w.size;
    } else {
        free(w.bytes);
    }
    return ok;
}

/* ---- cutting without decoding -------------------------------------------------------------------------- */

struct cutter {
    struct reader reader;
    struct jpeg_compress_struct to;
    const uint32_t *box;
    unsigned char *bytes;
    unsigned long size;
};

static uint32_t block_px(const struct jpeg_decompress_struct *d, bool across)
{
    return (uint32_t)(across ? d->max_h_samp_factor : d->max_v_samp_factor) * DCTSIZE;
}

static bool on_blocks(struct cutter *c)
{
    const struct jpeg_decompress_struct *d = &c->reader.info;
    uint32_t across = block_px(d, true), down = block_px(d, false);
    const uint32_t *box = c->box;
    if (box[2] == 0 || box[3] == 0 || box[0] > d->image_width || box[2] > d->image_width - box[0] ||
        box[1] > d->image_height || box[3] > d->image_height - box[1])
        return fail(&c->reader, "the crop does not lie inside the picture");
    if (box[0] % across != 0 || box[1] % down != 0)
        return fail(&c->reader, "the crop does not begin on a border of the picture's blocks");
    return true;
}

/* Coefficients of one component: whole blocks, moved by whole blocks. */
static void copy_component(struct cutter *c, jvirt_barray_ptr from, jvirt_barray_ptr to, int index)
{
    struct jpeg_decompress_struct *d = &c->reader.info;
    const jpeg_component_info *in = &d->comp_info[index];
    jpeg_component_info *out = &c->to.comp_info[index];
    JDIMENSION left = c->box[0] / block_px(d, true) * (JDIMENSION)in->h_samp_factor;
    JDIMENSION top = c->box[1] / block_px(d, false) * (JDIMENSION)in->v_samp_factor;
    for (JDIMENSION row = 0; row < out->height_in_blocks; row++) {
        JBLOCKARRAY source = d->mem->access_virt_barray((j_common_ptr)d, from, top + row, 1, FALSE);
        JBLOCKARRAY target = c->to.mem->access_virt_barray((j_common_ptr)&c->to, to, row, 1, TRUE);
        for (JDIMENSION i = 0; i < out->width_in_blocks; i++)
            memcpy(target[0][i], source[0][left + i], sizeof(JBLOCK));
    }
}

/* As many blocks as the new size asks for: jpeg_write_coefficients counts them only later. */
static JDIMENSION blocks_of(uint32_t length, int factor, int most)
{
    uint64_t px = (uint64_t)length * (uint64_t)factor, unit = (uint64_t)most * DCTSIZE;
    return (JDIMENSION)((px + unit - 1) / unit);
}

static JDIMENSION round_up(JDIMENSION n, int unit)
{
    return (n + (JDIMENSION)unit - 1) / (JDIMENSION)unit * (JDIMENSION)unit;
}

static bool write_cut(void *context)
{
    struct cutter *c = context;
    struct jpeg_decompress_struct *d = &c->reader.info;
    jvirt_barray_ptr to[MAX_COMPONENTS];
    if (!open_reader(&c->reader))
        return false;
    if (!on_blocks(c))
        return false;
    jvirt_barray_ptr *from = jpeg_read_coefficients(d);
    if (c->reader.guard.cut_short)
        return fail(&c->reader, "the picture is cut short");
    jpeg_create_compress(&c->to);
    jpeg_mem_dest(&c->to, &c->bytes, &c->size);
    jpeg_copy_critical_parameters(d, &c->to);
    c->to.image_width = c->box[2];
    c->to.image_height = c->box[3];
    c->to.write_JFIF_header = FALSE; /* comes with the other metadata */
    c->to.optimize_coding = TRUE;
    for (int i = 0; i < c->to.num_components; i++) {
        const jpeg_component_info *in = &d->comp_info[i];
        JDIMENSION wide = blocks_of(c->box[2], in->h_samp_factor, d->max_h_samp_factor);
        JDIMENSION high = blocks_of(c->box[3], in->v_samp_factor, d->max_v_samp_factor);
        to[i] = c->to.mem->request_virt_barray(
            (j_common_ptr)&c->to, JPOOL_IMAGE, TRUE, round_up(wide, in->h_samp_factor),
            round_up(high, in->v_samp_factor), (JDIMENSION)in->v_samp_factor);
    }
    jpeg_write_coefficients(&c->to, to);
    for (int i = 0; i < c->to.num_components; i++)
        copy_component(c, from[i], to[i], i);
    jpeg_finish_compress(&c->to);
    return true;
}

bool decode_cut_jpeg(const uint8_t *bytes, size_t size, const uint32_t box[4], uint8_t **out,
                     size_t *out_size, struct err *err)
{
    struct cutter c = {.reader = {.bytes = bytes, .size = size, .err = err}, .box = box};
    guard_init(&c.reader.guard, err);
    c.reader.info.err = &c.reader.guard.manager;
    c.to.err = &c.reader.guard.manager;
    bool ok = guarded(&c.reader.guard, write_cut, &c);
    jpeg_destroy_decompress(&c.reader.info);
    jpeg_destroy_compress(&c.to);
    if (ok) {
        *out = c.bytes;
        *out_size = c.size;
    } else {
        free(c.bytes);
    }
    return ok;
}

const struct decoder decode_jpeg_decoder = {luma, crop};
