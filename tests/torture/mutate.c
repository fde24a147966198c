#include "mutate.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "../ref/maker.h"
#include "../ref/tags_maker.h"
#include "picture.h"
#include "tree.h"

static struct fixture *add(struct fixtures *f, const char *name, bool raw, uint8_t *bytes, size_t size)
{
    if (f->n == sizeof f->at / sizeof f->at[0] || bytes == NULL)
        tree_die("no room for", name);
    struct fixture *x = &f->at[f->n++];
    *x = (struct fixture){.raw = raw, .bytes = bytes, .size = size};
    (void)snprintf(x->name, sizeof x->name, "%s", name);
    return x;
}

static void add_jpeg(struct fixtures *f, const char *name, const struct make_jpeg *how)
{
    struct bytes b = make_jpeg(how);
    (void)add(f, name, false, b.at, b.size);
}

/* Puts a segment behind SOI. */
static void insert_segment(struct fixture *x, uint8_t marker, const void *body, size_t size)
{
    uint8_t *grown = malloc(x->size + size + 4);
    if (grown == NULL)
        tree_die("no memory for", x->name);
    const uint8_t head[] = {0xff, 0xd8, 0xff, marker, (uint8_t)((size + 2) >> 8), (uint8_t)(size + 2)};
    memcpy(grown, head, sizeof head);
    memcpy(grown + sizeof head, body, size);
    memcpy(grown + sizeof head + size, x->bytes + 2, x->size - 2);
    free(x->bytes);
    x->bytes = grown;
    x->size += size + 4;
}

static void put32(uint8_t *at, uint32_t v)
{
    for (int i = 0; i < 4; i++)
        at[i] = (uint8_t)(v >> 8 * i);
}

/* Two pictures in one file, by CIPA DC-007: tags B000, B001, B002, little-endian. */
static void add_mpf(struct fixtures *f)
{
    uint8_t mp[4 + 8 + 2 + 3 * 12 + 4 + 32] = {'M', 'P', 'F', 0, 'I', 'I', 42, 0, 8, 0, 0, 0, 3, 0};
    static const uint16_t tags[] = {0xb000, 0xb001, 0xb002}, types[] = {7, 4, 7};
    static const uint32_t counts[] = {4, 1, 32}, values[] = {0x30303130, 2, 8 + 2 + 36 + 4};
    for (int i = 0; i < 3; i++) {
        uint8_t *e = mp + 14 + 12 * i;
        e[0] = (uint8_t)tags[i], e[1] = (uint8_t)(tags[i] >> 8), e[2] = (uint8_t)types[i];
        put32(e + 4, counts[i]);
        put32(e + 8, values[i]);
    }
    uint8_t *entry = mp + 4 + 8 + 2 + 36 + 4;
    size_t size, second_size;
    uint8_t *first = scene_jpeg(96, 72, 5, 1000, &size), *second = scene_jpeg(64, 48, 6, 1000, &second_size);
    struct fixture *x = add(f, "mpf.jpg", false, first, size);
    put32(entry, 0x030000);
    put32(entry + 16, 0x010001);
    put32(entry + 20, (uint32_t)second_size);
    put32(entry + 24, (uint32_t)size);
    insert_segment(x, 0xe2, mp, sizeof mp);
    x->bytes = realloc(x->bytes, x->size + second_size);
    if (x->bytes == NULL)
        tree_die("no memory for", x->name);
    memcpy(x->bytes + x->size, second, second_size);
    x->size += second_size;
    free(second);
}

static void add_xmp(struct fixtures *f)
{
    static const char packet[] =
        "http://ns.adobe.com/xap/1.0/\0<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf:RDF "
        "xmlns:rdf='http://www.w3.org/1999/02/22-rdf-syntax-ns#'><rdf:Description "
        "xmlns:xmp='http://ns.adobe.com/xap/1.0/' xmp:Rating='3'/></rdf:RDF></x:xmpmeta>";
    size_t size;
    uint8_t *bytes = scene_jpeg(96, 72, 7, 1000, &size);
    insert_segment(add(f, "xmp.jpg", false, bytes, size), 0xe1, packet, sizeof packet - 1);
}

static void add_dng(struct fixtures *f, const char *name, const struct make_dng *how)
{
    struct bytes b = make_dng(how);
    (void)add(f, name, true, b.at, b.size);
}

void fixtures_make(struct fixtures *f)
{
    size_t size;
    *f = (struct fixtures){.n = 0};
    uint8_t *plain = scene_jpeg(96, 72, 1, 1000, &size);
    (void)add(f, "exif.jpg", false, plain, size);
    add_jpeg(f, "progressive.jpg",
             &(struct make_jpeg){.width_px = 96, .height_px = 72, .seed = 2, .progressive = true});
    add_jpeg(f, "scans.jpg",
             &(struct make_jpeg){.width_px = 64, .height_px = 48, .seed = 3, .many_scans = true});
    add_jpeg(f, "grey.jpg",
             &(struct make_jpeg){.width_px = 96, .height_px = 72, .seed = 4, .space = MAKE_GREY});
    add_jpeg(f, "cmyk.jpg",
             &(struct make_jpeg){.width_px = 64, .height_px = 48, .seed = 5, .space = MAKE_CMYK});
    add_jpeg(
        f, "arithmetic.jpg",
        &(struct make_jpeg){.width_px = 96, .height_px = 72, .seed = 6, .arithmetic = true, .restart = 1});
    add_mpf(f);
    add_xmp(f);
    add_dng(f, "plain.dng", &(struct make_dng){.width_px = 64, .height_px = 48, .seed = 7});
    struct bytes preview = make_jpeg(&(struct make_jpeg){.width_px = 64, .height_px = 48, .seed = 8});
    add_dng(f, "preview.dng",
            &(struct make_dng){.width_px = 64, .height_px = 48, .seed = 8, .preview = &preview});
    free(preview.at);
}

void fixtures_release(struct fixtures *f)
{
    for (size_t i = 0; i < f->n; i++)
        free(f->at[i].bytes);
    f->n = 0;
}

/* ---- bombs --------------------------------------------------------------------------------------------- */

/* Cut to `keep` bytes (0 = whole) and claiming other sides. */
static void add_claim(struct fixtures *f, const char *name, const struct make_jpeg *how, uint16_t side,
                      size_t keep)
{
    struct bytes b = make_jpeg(how);
    make_jpeg_claim(&b, side, side);
    (void)add(f, name, false, b.at, keep > 0 && keep < b.size ? keep : b.size);
}

/* The scans of a progressive picture, again and again. */
static void add_endless_scans(struct fixtures *f, int times)
{
    struct bytes b =
        make_jpeg(&(struct make_jpeg){.width_px = 16, .height_px = 16, .seed = 1, .many_scans = true});
    size_t scan = 2;
    while (scan + 4 < b.size && b.at[scan + 1] != 0xda && b.at[scan + 1] != 0xc4)
        scan += 2 + (size_t)(b.at[scan + 2] << 8 | b.at[scan + 3]);
    size_t one = b.size - 2 - scan, size = scan + one * (size_t)times + 2;
    uint8_t *all = malloc(size);
    if (all == NULL)
        tree_die("no memory for", "scans");
    memcpy(all, b.at, scan);
    for (int i = 0; i < times; i++)
        memcpy(all + scan + one * (size_t)i, b.at + scan, one);
    memcpy(all + size - 2, "\xff\xd9", 2);
    (void)add(f, "endless-scans.jpg", false, all, size);
    free(b.at);
}

/* The value of a tag, or its count, in each directory of a little-endian TIFF that has it. */
static void change_tag(uint8_t *tiff, size_t size, uint16_t tag, int at, uint32_t value)
{
    for (size_t i = 8; i + 12 <= size; i++)
        if (tiff[i] == (uint8_t)tag && tiff[i + 1] == (uint8_t)(tag >> 8) && tiff[i + 3] == 0 &&
            (tiff[i + 2] == 3 || tiff[i + 2] == 4))
            put32(tiff + i + at, value);
}

static void add_raw_lies(struct fixtures *f)
{
    static const struct {
        const char *name;
        uint16_t tag;
        int at;
        uint32_t value;
    } lies[] = {
        {"wide.dng", 256, 8, 60000},
        {"high.dng", 257, 8, 60000},
        {"sub-ifd-loop.dng", 330, 8, 8},
        {"exif-loop.dng", 34665, 8, 8},
        {"strip-at-4-gib.dng", 273, 8, 0xffffff00},
        {"strip-of-4-gib.dng", 279, 8, 0xffffffff},
        {"count-of-4-gib.dng", 258, 4, 0xffffffff},
        {"sub-ifd-at-4-gib.dng", 330, 8, 0xfffffffe},
        {"no-rows.dng", 278, 8, 0},
        {"many-strips.dng", 273, 4, 0x7fffffff},
    };
    for (size_t i = 0; i < sizeof lies / sizeof lies[0]; i++) {
        struct bytes b = make_dng(&(struct make_dng){.width_px = 64, .height_px = 48, .seed = 9});
        change_tag(b.at, b.size, lies[i].tag, lies[i].at, lies[i].value);
        (void)add(f, lies[i].name, true, b.at, b.size);
    }
    struct bytes b = make_dng(&(struct make_dng){.width_px = 64, .height_px = 48, .seed = 9});
    change_tag(b.at, b.size, 256, 8, 60000);
    change_tag(b.at, b.size, 257, 8, 60000);
    change_tag(b.at, b.size, 279, 8, 0xd693a400); /* 60000 x 60000, cut to 32 bits */
    (void)add(f, "60000x60000.dng", true, b.at, b.size);
}

/* Exif heads whose directories lead to themselves or to 4 GiB. */
static void add_exif_lies(struct fixtures *f)
{
    static struct made_tags tags;
    static const uint32_t places[] = {8, 0xffffffff, 0xfffffff0, 0x80000000, 9};
    for (size_t i = 0; i < sizeof places / sizeof places[0]; i++) {
        char name[40];
        struct bytes b = make_jpeg(&(struct make_jpeg){.width_px = 32, .height_px = 24, .seed = 1});
        memset(&tags, 0, sizeof tags);
        tags_text(&tags, 0, 0x010f, "Example");
        tags_text(&tags, 1, 0x9003, "2026:05:01 07:30:15");
        tags_lay_out(&tags);
        change_tag(tags.bytes, tags.size, 0x8769, 8, places[i]);
        put32(tags.bytes + 8 + 2 + 12 * (tags.bytes[8] + (tags.bytes[9] << 8)),
              places[i]); /* the next directory */
        (void)snprintf(name, sizeof name, "exif-to-%x.jpg", (unsigned)places[i]);
        struct fixture *x = add(f, name, false, b.at, b.size);
        uint8_t *body = malloc(6 + tags.size);
        if (body == NULL)
            tree_die("no memory for", name);
        memcpy(body, "Exif\0", 6);
        memcpy(body + 6, tags.bytes, tags.size);
        insert_segment(x, 0xe1, body, 6 + tags.size);
        free(body);
    }
}

void fixtures_make_bombs(struct fixtures *f)
{
    const struct make_jpeg small = {.width_px = 8, .height_px = 8, .seed = 1, .space = MAKE_GREY};
    const struct make_jpeg slow = {.width_px = 8, .height_px = 8, .seed = 1, .progressive = true};
    *f = (struct fixtures){.n = 0};
    add_claim(f, "65500x65500.jpg", &small, 65500, 0);
    add_claim(f, "65500x65500-progressive.jpg", &slow, 65500, 0);
    add_claim(f, "65535x65535.jpg", &small, 65535, 0);
    add_claim(f, "0x0.jpg", &small, 0, 0);
    add_claim(f, "20000x20000-progressive.jpg", &slow, 20000, 0);
    add_endless_scans(f, 20);
    add_raw_lies(f);
    add_exif_lies(f);
}

/* ---- mutations ----------------------------------------------------------------------------------------- */

static uint32_t next_random(uint32_t *state) /* xorshift32: Marsaglia 2003 */
{
    uint32_t x = *state;
    x ^= x << 13;
    x ^= x >> 17;
    x ^= x << 5;
    return *state = x;
}

static const uint32_t odd_numbers[] = {0,          1,          0x7f,   0x80,   0xff,       0x100,
                                       0x7fff,     0x8000,     0xffff, 0xffdb, 0x7fffffff, 0x80000000,
                                       0xffffffff, 0xfffffff8, 65500,  60000};

/* Structures stand at the front: half of the changes go there. */
static size_t somewhere(size_t size, uint32_t *random)
{
    size_t front = size < 700 ? size : 700;
    return next_random(random) % ((next_random(random) & 1) != 0 ? front : size);
}

static void change(uint8_t *bytes, size_t *size, uint32_t *random)
{
    size_t at = somewhere(*size, random), n = 1 + next_random(random) % 64, to = somewhere(*size, random);
    uint32_t v = odd_numbers[next_random(random) % (sizeof odd_numbers / sizeof odd_numbers[0])];
    bool big = (next_random(random) & 1) != 0;
    if (n > *size - at)
        n = *size - at;
    switch (next_random(random) % 6) {
    case 0:
        bytes[at] ^= (uint8_t)(1u << next_random(random) % 8);
        break;
    case 1:
        bytes[at] = (uint8_t)next_random(random);
        break;
    case 2:
    case 3:
        for (size_t i = 0; i < 4 && at + i < *size; i++)
            bytes[at + i] = (uint8_t)(v >> 8 * (big ? 3 - i : i));
        break;
    case 4: /* a block is copied over another */
        if (to + n <= *size)
            memmove(bytes + to, bytes + at, n);
        break;
    default: /* a block is left out */
        if (*size > n + 16) {
            memmove(bytes + at, bytes + at + n, *size - at - n);
            *size -= n;
        }
        break;
    }
}

uint8_t *mutate(const struct fixture *f, uint32_t seed, size_t *size)
{
    uint32_t random = seed * 2654435761u + 97;
    uint8_t *bytes = malloc(f->size);
    if (bytes == NULL)
        tree_die("no memory for", f->name);
    memcpy(bytes, f->bytes, f->size);
    *size = f->size;
    for (uint32_t i = 1 + next_random(&random) % 8; i > 0; i--)
        change(bytes, size, &random);
    return bytes;
}
