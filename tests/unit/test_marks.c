/*
 * Marks in XMP and the metadata of copies: what must survive, what must not get out, and foreign bytes that
 * are cut or damaged anywhere. ISO 16684-1 names the properties.
 */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/frame.h"

static const char foreign[] =
    "<x:xmpmeta xmlns:x=\"adobe:ns:meta/\"><rdf:RDF "
    "xmlns:rdf=\"http://www.w3.org/1999/02/22-rdf-syntax-ns#\"><rdf:Description rdf:about=\"\" "
    "xmlns:xmp=\"http://ns.adobe.com/xap/1.0/\" xmlns:dc=\"http://purl.org/dc/elements/1.1/\" "
    "xmlns:pond=\"http://example.org/pond/\" xmlns:aux=\"http://ns.adobe.com/exif/1.0/aux/\" "
    "xmp:Rating=\"%d\" pond:Depth=\"deep\" aux:SerialNumber=\"SECRET\" pond:Where=\"/home/me/pond\">"
    "<dc:subject><rdf:Bag><rdf:li>swallow</rdf:li></rdf:Bag></dc:subject>"
    "<pond:Weir><rdf:Seq><rdf:li>oak &amp; elm</rdf:li><rdf:li>ash</rdf:li></rdf:Seq></pond:Weir>"
    "</rdf:Description></rdf:RDF></x:xmpmeta>";

static struct str merged(const char *packet, const struct frame_marks *marks, struct frame_marked *marked)
{
    struct str out = STR_INIT;
    struct err err = ERR_INIT;
    ck_assert_msg(frame_mark(packet, packet != NULL ? strlen(packet) : 0, marks, &out, marked, &err), "%s",
                  err.message);
    return out;
}

/* The frame is rejected later: our rating and our keywords go, a zero that was outspoken before comes back,
   and what is somebody else's stays. */
START_TEST(taken_back)
{
    const char *const words[] = {"burst 3"};
    const struct frame_marks marks = {.rating = 1, .keywords = words, .n_keywords = 1}, none = {.rating = 0};
    struct frame_marked marked;
    struct str first = merged(NULL, &marks, &marked), back = merged(first.bytes, &none, &marked);
    ck_assert(marked.changed && marked.taken_back && !marked.rated);
    ck_assert(strstr(back.bytes, "Rating") == NULL && strstr(back.bytes, "burst 3") == NULL);
    struct str again = merged(back.bytes, &none, &marked);
    ck_assert(!marked.changed && !marked.taken_back);
    str_release(&again);
    str_release(&back);
    /* Somebody else's 4 stays. */
    char *theirs = strstr(first.bytes, "Rating>1<");
    ck_assert_ptr_nonnull(theirs);
    theirs[7] = '4';
    back = merged(first.bytes, &none, &marked);
    ck_assert(marked.changed && !marked.taken_back && strstr(back.bytes, "Rating>4<") != NULL);
    str_release(&back);
    str_release(&first);
    for (int rating = -1; rating <= 5; rating++) {
        char *packet = str_make(NULL, foreign, rating), want[16];
        first = merged(packet, &marks, &marked);
        back = merged(first.bytes, &none, &marked);
        ck_assert_int_eq(marked.taken_back, rating == 0);
        (void)snprintf(want, sizeof want, "Rating>%d<", rating);
        ck_assert_msg(strstr(back.bytes, want) != NULL, "%s is gone", want);
        ck_assert(strstr(back.bytes, "burst 3") == NULL);
        str_release(&back);
        str_release(&first);
        /* What holds nothing of ours is not even touched, well-formed or not. */
        again = merged(packet, &none, &marked);
        ck_assert(!marked.changed && strcmp(again.bytes, packet) == 0);
        str_release(&again);
        free(packet);
    }
    again = merged("<x:xmpmeta><broken>", &none, &marked);
    ck_assert(!marked.changed);
    str_release(&again);
}
END_TEST

START_TEST(new_and_again)
{
    const char *const words[] = {"burst 3"}, *const later[] = {"burst 4"};
    struct frame_marks marks = {.rating = 1, .keywords = words, .n_keywords = 1};
    struct frame_marked marked;
    struct str first = merged(NULL, &marks, &marked);
    ck_assert(marked.changed && marked.rated && marked.old_rating == 0);
    ck_assert(strstr(first.bytes, "burst 3") != NULL);
    struct str same = merged(first.bytes, &marks, &marked);
    ck_assert(!marked.changed && marked.old_rating == 1);
    /* The burst has another number and the frame is on the shortlist now: our own marks follow. */
    marks.keywords = later;
    marks.rating = 3;
    struct str third = merged(same.bytes, &marks, &marked);
    ck_assert(marked.changed && marked.rated);
    ck_assert(strstr(third.bytes, "burst 3") == NULL && strstr(third.bytes, "burst 4") != NULL);
    char *theirs = strstr(third.bytes, "Rating>3<");
    ck_assert_ptr_nonnull(theirs);
    /* Somebody rates it 4: from then on it is theirs. */
    theirs[7] = '4';
    marks.rating = 1;
    struct str fourth = merged(third.bytes, &marks, &marked);
    ck_assert(!marked.rated && marked.old_rating == 4);
    ck_assert(strstr(fourth.bytes, "Rating>4<") != NULL);
    str_release(&fourth);
    str_release(&first);
    str_release(&same);
    str_release(&third);
}
END_TEST

START_TEST(foreign_properties_stay)
{
    const char *const words[] = {"burst 3", "swallow"};
    for (int rating = -1; rating <= 5; rating++) {
        const struct frame_marks marks = {.rating = 1, .keywords = words, .n_keywords = 2};
        struct frame_marked marked;
        char *packet = str_make(NULL, foreign, rating);
        struct str out = merged(packet, &marks, &marked);
        ck_assert_int_eq(marked.old_rating, rating);
        ck_assert_int_eq(marked.rated, rating == 0);
        static const char *const stay[] = {"deep",          "SECRET", "/home/me/pond",
                                           "oak &amp; elm", "ash",    "swallow"};
        for (size_t i = 0; i < sizeof stay / sizeof stay[0]; i++)
            ck_assert_msg(strstr(out.bytes, stay[i]) != NULL, "'%s' is lost", stay[i]);
        str_release(&out);
        free(packet);
    }
}
END_TEST

START_TEST(place_does_not_get_out)
{
    const struct frame_marks marks = {.without_place = true};
    struct frame_marked marked;
    char *packet = str_make(NULL, foreign, 0);
    struct str out = merged(packet, &marks, &marked);
    ck_assert(strstr(out.bytes, "SECRET") == NULL && strstr(out.bytes, "/home") == NULL);
    ck_assert(strstr(out.bytes, "deep") != NULL && strstr(out.bytes, "ash") != NULL);
    str_release(&out);
    free(packet);
}
END_TEST

START_TEST(what_is_no_xmp)
{
    static const char *const bad[] = {"", "<a/>", "swallow", "<x:xmpmeta><rdf:RDF>",
                                      "<rdf:RDF xmlns:rdf=\"http://www.w3.org/1999/02/22-rdf-syntax-ns#\">"};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        const struct frame_marks marks = {.rating = 1};
        struct frame_marked marked;
        struct str out = STR_INIT;
        struct err err = ERR_INIT;
        ck_assert_msg(!frame_mark(bad[i], strlen(bad[i]), &marks, &out, &marked, &err), "'%s'", bad[i]);
        ck_assert_int_eq(err.code, ERR_FORMAT);
        str_release(&out);
    }
}
END_TEST

/* Cut anywhere: never taken for whole. */
START_TEST(cut_packets)
{
    char *packet = str_make(NULL, foreign, 0);
    for (size_t n = 0; n < strlen(packet); n += 7) {
        const struct frame_marks marks = {.rating = 1};
        struct frame_marked marked;
        struct str out = STR_INIT;
        struct err err = ERR_INIT;
        ck_assert(!frame_mark(packet, n, &marks, &out, &marked, &err));
        str_release(&out);
    }
    free(packet);
}
END_TEST

/* ---- JPEG ---------------------------------------------------------------------------------------------- */

/* SOI; Exif with orientation 6 and a camera serial number; a comment; a table; a scan; the end; a trailer. */
static const char picture_text[] =
    "\377\330\377\341\000\066\105\170\151\146\000\000\111\111\052\000\010\000\000\000\002\000"
    "\022\001\003\000\001\000\000\000\006\000\000\000\057\306\002\000\007\000\000\000\046\000"
    "\000\000\000\000\000\000\123\105\103\122\105\124\000\000\377\376\000\010\123\105\103\122"
    "\105\124\377\333\000\003\000\377\332\000\002\001\002\377\000\003\377\331\123\105\103\122"
    "\105\124";
#define PICTURE ((const uint8_t *)picture_text)
enum { PICTURE_SIZE = sizeof picture_text - 1 };

static bool has(const struct str *s, const char *word)
{
    return memmem(s->bytes, s->size, word, strlen(word)) != NULL;
}

START_TEST(copies_tell_nothing)
{
    const char *const words[] = {"burst 3"};
    const struct frame_marks marks = {.rating = 1, .keywords = words, .n_keywords = 1};
    struct frame_dress dress = {.marks = &marks, .without_place = true};
    struct str out = STR_INIT;
    struct err err = ERR_INIT;
    ck_assert_msg(frame_dress(PICTURE, PICTURE_SIZE, NULL, 0, &dress, &out, &err), "%s", err.message);
    ck_assert(!has(&out, "SECRET") && has(&out, "burst 3") && has(&out, "Exif"));
    ck_assert(memcmp(out.bytes + out.size - 2, "\xff\xd9", 2) == 0);
    str_release(&out);
    dress.without_place = false;
    ck_assert(frame_dress(PICTURE, PICTURE_SIZE, NULL, 0, &dress, &out, &err));
    ck_assert(has(&out, "SECRET") && has(&out, "burst 3"));
    str_release(&out);
    /* A segment that is longer than it says: what lies behind it is not understood, so nothing gets out. */
    uint8_t odd[PICTURE_SIZE];
    memcpy(odd, PICTURE, PICTURE_SIZE);
    odd[5] += 2;
    dress.without_place = true;
    ck_assert(!frame_dress(odd, PICTURE_SIZE, NULL, 0, &dress, &out, &err));
    str_release(&out);
}
END_TEST

/* Cut or damaged anywhere, with and without what is to be taken out: no crash (run under sanitizers). */
START_TEST(damaged_pictures)
{
    const struct frame_marks marks = {.rating = 1};
    static const uint8_t thumb[40] = {0xff, 0xd8};
    uint32_t x = 88172645u; /* xorshift32: Marsaglia 2003 */
    for (int i = 0; i < 600; i++) {
        size_t size = i < PICTURE_SIZE ? (size_t)i : PICTURE_SIZE;
        uint8_t *bytes = malloc(size + 1);
        memcpy(bytes, PICTURE, size);
        for (int k = 0; i >= PICTURE_SIZE && k < 4; k++) {
            x ^= x << 13;
            x ^= x >> 17;
            x ^= x << 5;
            bytes[2 + x % (size - 2)] = (uint8_t)(x >> 20);
        }
        const struct frame_dress dress = {.marks = i % 2 ? &marks : NULL,
                                          .without_place = i % 3 == 0,
                                          .width_px = 100,
                                          .height_px = 80,
                                          .thumb = thumb,
                                          .thumb_size = sizeof thumb};
        struct str out = STR_INIT;
        (void)frame_dress(bytes, size, i % 5 ? NULL : PICTURE, PICTURE_SIZE, &dress, &out, NULL);
        str_release(&out);
        free(bytes);
    }
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("marks");
    TCase *one = tcase_create("marks");
    tcase_set_timeout(one, 120);
    tcase_add_test(one, new_and_again);
    tcase_add_test(one, taken_back);
    tcase_add_test(one, foreign_properties_stay);
    tcase_add_test(one, place_does_not_get_out);
    tcase_add_test(one, what_is_no_xmp);
    tcase_add_test(one, cut_packets);
    tcase_add_test(one, copies_tell_nothing);
    tcase_add_test(one, damaged_pictures);
    suite_add_tcase(suite, one);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed != 0;
}
