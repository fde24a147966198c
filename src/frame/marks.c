/*
 * Marks in XMP, written with the XMP library: what is there stays, what is asked for is added.
 *
 * Sources: xmp:Rating and the namespaces are ISO 16684-1 (XMP part 1, core properties); dc:subject is an
 * unordered array of text there. The property of our own remembers which keywords came from here, so that a
 * later run can take its own ones back and nobody else's.
 */
#include "chaffinch/frame.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <exempi-2.0/exempi/xmp.h>
#include <exempi-2.0/exempi/xmpconsts.h>

#define NS_RDF "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
#define NS_OURS "urn:chaffinch:hand-on:1.0/"

enum { PACKET_BYTES_MAX = 16 << 20, PACKET_PADDING = 2048 };

struct marking {
    XmpPtr xmp;
    XmpStringPtr text;
    const struct frame_marks *marks;
    struct frame_marked *marked;
};

static bool library_failed(const char *doing, struct err *err)
{
    return err_set(err, ERR_FORMAT, "the XMP library cannot %s (error %d)", doing, xmp_get_error());
}

static int rating_of(const char *text)
{
    char *end;
    double rating = strtod(text, &end);
    if (end == text || rating != rating)
        return 0;
    return rating < 0 ? -1 : rating > 5 ? 5 : rating > 0 && rating < 1 ? 1 : (int)rating;
}

/* The rating that an earlier run wrote, as long as nobody changed it since: it is ours to change. */
static bool is_our_rating(struct marking *m)
{
    return xmp_get_property(m->xmp, NS_OURS, "rating", m->text, NULL) &&
           rating_of(xmp_string_cstr(m->text)) == m->marked->old_rating;
}

/* The frame is not kept any more: the rating becomes what it was before ours, none or an outspoken zero. */
static bool take_back_rating(struct marking *m, struct err *err)
{
    bool zero = xmp_get_property(m->xmp, NS_OURS, "before", m->text, NULL);
    bool ok = zero ? xmp_set_property(m->xmp, NS_XAP, "Rating", "0", 0)
                   : xmp_delete_property(m->xmp, NS_XAP, "Rating");
    m->marked->old_rating = 0;
    m->marked->changed = true;
    m->marked->taken_back = true;
    return (ok && xmp_delete_property(m->xmp, NS_OURS, "rating") &&
            (!zero || xmp_delete_property(m->xmp, NS_OURS, "before"))) ||
           library_failed("take back an earlier rating", err);
}

static bool set_rating(struct marking *m, bool zero, struct err *err)
{
    char value[16];
    (void)snprintf(value, sizeof value, "%d", m->marks->rating);
    m->marked->old_rating = 0;
    m->marked->changed = true;
    m->marked->rated = true;
    return (xmp_set_property(m->xmp, NS_XAP, "Rating", value, 0) &&
            xmp_set_property(m->xmp, NS_OURS, "rating", value, 0) &&
            (!zero || xmp_set_property(m->xmp, NS_OURS, "before", "0", 0))) ||
           library_failed("set the rating", err);
}

static bool mark_rating(struct marking *m, struct err *err)
{
    bool there = xmp_get_property(m->xmp, NS_XAP, "Rating", m->text, NULL);
    if (there)
        m->marked->old_rating = rating_of(xmp_string_cstr(m->text));
    bool ours = m->marked->old_rating != 0 && is_our_rating(m);
    if ((m->marked->old_rating != 0 && !ours) || m->marks->rating == m->marked->old_rating)
        return true;
    if (m->marks->rating == 0)
        return take_back_rating(m, err);
    return set_rating(m, there && !ours, err);
}

/* ---- keywords ------------------------------------------------------------------------------------------ */

/* Index from 1 of the item that is `word`, 0 = none. */
static int find_item(struct marking *m, const char *schema, const char *name, const char *word)
{
    for (int i = 1; xmp_get_array_item(m->xmp, schema, name, i, m->text, NULL); i++)
        if (strcmp(xmp_string_cstr(m->text), word) == 0)
            return i;
    return 0;
}

static bool delete_item(struct marking *m, const char *schema, const char *name, int index)
{
    char path[64];
    (void)snprintf(path, sizeof path, "%s[%d]", name, index);
    return xmp_delete_property(m->xmp, schema, path);
}

static bool wanted(const struct frame_marks *marks, const char *word)
{
    for (size_t i = 0; i < marks->n_keywords; i++)
        if (strcmp(marks->keywords[i], word) == 0)
            return true;
    return false;
}

/* Bursts may have other numbers since: keywords of an earlier run that are not true any more go. */
static bool drop_stale(struct marking *m, struct err *err)
{
    int i = 1;
    while (xmp_get_array_item(m->xmp, NS_OURS, "keywords", i, m->text, NULL)) {
        char *word = strdup(xmp_string_cstr(m->text));
        if (word == NULL)
            return err_nomem(err);
        bool stale = !wanted(m->marks, word), ok = true;
        int at = stale ? find_item(m, NS_DC, "subject", word) : 0;
        if (stale)
            ok = delete_item(m, NS_OURS, "keywords", i) && (at == 0 || delete_item(m, NS_DC, "subject", at));
        free(word);
        if (!ok)
            return library_failed("take back an earlier keyword", err);
        m->marked->changed = m->marked->changed || stale;
        i += !stale;
    }
    return true;
}

static bool add_keyword(struct marking *m, const char *word, struct err *err)
{
    if (find_item(m, NS_DC, "subject", word) > 0)
        return true;
    m->marked->changed = true;
    return (xmp_append_array_item(m->xmp, NS_DC, "subject", XMP_PROP_VALUE_IS_ARRAY, word, 0) &&
            xmp_append_array_item(m->xmp, NS_OURS, "keywords", XMP_PROP_VALUE_IS_ARRAY, word, 0)) ||
           library_failed("add a keyword", err);
}

static bool mark_keywords(struct marking *m, struct err *err)
{
    if (!drop_stale(m, err))
        return false;
    for (size_t i = 0; i < m->marks->n_keywords; i++)
        if (!add_keyword(m, m->marks->keywords[i], err))
            return false;
    return true;
}

/* ---- what is not for other eyes ------------------------------------------------------------------------ */

/* Tells where, which body, or whose: by the name of the property; and any value that is a path. */
static bool tells_place(const char *name, const char *value)
{
    static const char *const parts[] = {"GPS",     "erial",    "wner",  "Location", "City",
                                        "Country", "Province", "State", "filePath", "Geo"};
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++)
        if (strstr(name, parts[i]) != NULL)
            return true;
    bool drive = ((value[0] | 32) >= 'a' && (value[0] | 32) <= 'z') && value[1] == ':' &&
                 (value[2] == '\\' || value[2] == '/');
    return value[0] == '/' || drive || strncmp(value, "file:", 5) == 0 || strncmp(value, "\\\\", 2) == 0;
}

/* Deletes the first property that tells a place, whole; *found = there was one. */
static bool strip_one(XmpPtr xmp, bool *found, struct err *err)
{
    XmpStringPtr schema = xmp_string_new(), name = xmp_string_new(), value = xmp_string_new();
    XmpIteratorPtr each = xmp_iterator_new(xmp, NULL, NULL, XMP_ITER_JUSTLEAFNODES);
    bool ok = schema != NULL && name != NULL && value != NULL && each != NULL;
    *found = false;
    while (ok && !*found && xmp_iterator_next(each, schema, name, value, NULL))
        *found = tells_place(xmp_string_cstr(name), xmp_string_cstr(value));
    if (each != NULL)
        xmp_iterator_free(each);
    if (ok && *found) {
        char top[256];
        size_t n = strcspn(xmp_string_cstr(name), "[/");
        ok = n < sizeof top;
        (void)snprintf(top, sizeof top, "%.*s", (int)n, xmp_string_cstr(name));
        ok = ok && xmp_delete_property(xmp, xmp_string_cstr(schema), top);
    }
    if (schema != NULL)
        xmp_string_free(schema);
    if (name != NULL)
        xmp_string_free(name);
    if (value != NULL)
        xmp_string_free(value);
    return ok || library_failed("take out what tells the place", err);
}

static bool strip_place(struct marking *m, struct err *err)
{
    bool found = m->marks->without_place;
    while (found)
        if (!strip_one(m->xmp, &found, err))
            return false;
    return true;
}

/* ---- reading and writing ------------------------------------------------------------------------------- */

static bool read_packet(struct marking *m, const char *packet, size_t size, struct err *err)
{
    if (packet == NULL)
        return true;
    if (size > PACKET_BYTES_MAX)
        return err_set(err, ERR_FORMAT, "it is too large to be XMP");
    /* The library takes any XML for an empty packet; what is no RDF would be lost. */
    if (memmem(packet, size, NS_RDF, sizeof NS_RDF - 1) == NULL || !xmp_parse(m->xmp, packet, size))
        return err_set(err, ERR_FORMAT, "it is not well-formed XMP");
    return true;
}

/* The library names properties with their prefix. */
static bool touched(const char *schema, const char *prefixed)
{
    const char *colon = strchr(prefixed, ':'), *name = colon != NULL ? colon + 1 : prefixed;
    return strcmp(schema, NS_OURS) == 0 || (strcmp(schema, NS_DC) == 0 && strncmp(name, "subject", 7) == 0) ||
           (strcmp(schema, NS_XAP) == 0 && strcmp(name, "Rating") == 0);
}

/* Every value of `old` is in `now` under the same name. */
static bool holds_all(XmpPtr old, XmpPtr now, struct err *err)
{
    XmpStringPtr schema = xmp_string_new(), name = xmp_string_new(), value = xmp_string_new();
    XmpStringPtr there = xmp_string_new();
    XmpIteratorPtr each = xmp_iterator_new(old, NULL, NULL, XMP_ITER_JUSTLEAFNODES);
    bool ok = schema != NULL && name != NULL && value != NULL && there != NULL && each != NULL;
    while (ok && xmp_iterator_next(each, schema, name, value, NULL))
        ok = touched(xmp_string_cstr(schema), xmp_string_cstr(name)) ||
             (xmp_get_property(now, xmp_string_cstr(schema), xmp_string_cstr(name), there, NULL) &&
              strcmp(xmp_string_cstr(there), xmp_string_cstr(value)) == 0);
    if (!ok && name != NULL)
        err_set(err, ERR_FORMAT, "'%s' would not survive: nothing was prepared", xmp_string_cstr(name));
    if (each != NULL)
        xmp_iterator_free(each);
    xmp_string_free(schema);
    xmp_string_free(name);
    xmp_string_free(value);
    xmp_string_free(there);
    return ok;
}

/* The text is read back before anybody relies on it. */
static bool proven(const char *packet, size_t size, const struct str *out, struct err *err)
{
    XmpPtr old = xmp_new_empty(), now = xmp_new_empty();
    bool ok = old != NULL && now != NULL;
    ok = ok && xmp_parse(now, out->bytes, out->size) && (packet == NULL || xmp_parse(old, packet, size));
    if (!ok)
        library_failed("read back what it wrote", err);
    ok = ok && holds_all(old, now, err);
    if (old != NULL)
        xmp_free(old);
    if (now != NULL)
        xmp_free(now);
    return ok;
}

static bool write_packet(struct marking *m, struct str *out, struct err *err)
{
    uint32_t options = m->marks->embedded ? 0 : XMP_SERIAL_OMITPACKETWRAPPER;
    if (!xmp_serialize(m->xmp, m->text, options, m->marks->embedded ? PACKET_PADDING : 0))
        return library_failed("write its text", err);
    str_append(out, xmp_string_cstr(m->text));
    return str_ok(out, err);
}

static bool mark_packet(struct marking *m, const char *packet, size_t size, struct str *out, struct err *err)
{
    XmpStringPtr prefix = m->text;
    if (!xmp_register_namespace(NS_OURS, "chaffinch", prefix))
        return library_failed("name our own property", err);
    return read_packet(m, packet, size, err) && strip_place(m, err) && mark_rating(m, err) &&
           mark_keywords(m, err) && write_packet(m, out, err) &&
           (m->marks->without_place || proven(packet, size, out, err));
}

/* Nothing to be written, and nothing of ours to be taken back: the text need not even be understood. */
static bool concerns_us(const char *packet, size_t size, const struct frame_marks *marks)
{
    return packet == NULL || marks->rating != 0 || marks->n_keywords > 0 || marks->embedded ||
           marks->without_place || memmem(packet, size, NS_OURS, sizeof NS_OURS - 1) != NULL;
}

bool frame_mark(const char *packet, size_t size, const struct frame_marks *marks, struct str *out,
                struct frame_marked *marked, struct err *err)
{
    *marked = (struct frame_marked){0};
    if (!concerns_us(packet, size, marks))
        return str_append_bytes(out, packet, size), str_ok(out, err);
    if (!xmp_init())
        return library_failed("start", err);
    struct marking m = {xmp_new_empty(), xmp_string_new(), marks, marked};
    bool ok = m.xmp != NULL && m.text != NULL ? mark_packet(&m, packet, size, out, err)
                                              : library_failed("begin a packet", err);
    if (m.text != NULL)
        xmp_string_free(m.text);
    if (m.xmp != NULL)
        xmp_free(m.xmp);
    xmp_terminate();
    return ok;
}
