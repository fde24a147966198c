/*
 * Peeks when memory runs out. This program's own malloc() serves the libraries too and fails at the n-th call
 * of a peek, n = 1, 2, ... until a peek gets by with fewer calls. Each try is a process of its own: the XMP
 * library may abort, which costs a worker its job and nothing else.
 *
 * Sanitizers bring their own malloc(): skipped there.
 */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "chaffinch/frame.h"
#include "../ref/tags_maker.h"

#ifndef CHAFFINCH_SANITIZED

void *__libc_malloc(size_t size);
void *__libc_calloc(size_t n, size_t size);
void *__libc_realloc(void *block, size_t size);

static long calls_left = -1; /* until the one that fails; -1 = none does */
static bool has_failed, goes_on_failing;

static bool fails(void)
{
    if (has_failed && goes_on_failing)
        return true;
    if (calls_left < 0 || calls_left-- > 0)
        return false;
    has_failed = true;
    return true;
}

void *malloc(size_t size)
{
    return fails() ? NULL : __libc_malloc(size);
}

void *calloc(size_t n, size_t size)
{
    return fails() ? NULL : __libc_calloc(n, size);
}

void *realloc(void *block, size_t size)
{
    return fails() ? NULL : __libc_realloc(block, size);
}

static struct made_tags made;
static uint8_t jpeg[TAGS_ROOM];

static size_t make_jpeg(uint16_t rating, const char *xmp)
{
    memset(&made, 0, sizeof made);
    if (rating > 0)
        tags_short(&made, 0, 0x4746, rating);
    tags_text(&made, 0, 0x0110, "Demo-1");
    tags_text(&made, 1, 0x9003, "2026:05:01 07:30:15");
    tags_text(&made, 1, 0x9291, "042");
    tags_text(&made, 1, 0xa431, "A0012");
    tags_lay_out(&made);
    return tags_jpeg(&made, xmp, jpeg, sizeof jpeg);
}

enum outcome { WHOLE, TOLD, LOST, ENOUGH, CRASHED, OUTCOMES };

/* In the child. */
static enum outcome peek_failing_at(long n, size_t size, int rating)
{
    struct err err = ERR_INIT;
    struct frame_meta meta;
    (void)close(STDERR_FILENO); /* the XMP library prints */
    calls_left = n;
    bool ok = frame_peek(FRAME_JPEG, jpeg, size, &meta, &err);
    calls_left = -1;
    goes_on_failing = false;
    if (!has_failed)
        return ENOUGH;
    if (!ok)
        return err.code == ERR_NOMEM ? TOLD : LOST;
    bool whole = meta.has_time && meta.subsec_digits == 3 && strcmp(meta.model, "Demo-1") == 0 &&
                 strcmp(meta.serial, "A0012") == 0 && meta.rating == rating && meta.width_px == 160;
    return whole ? WHOLE : LOST;
}

static enum outcome try_one(long n, size_t size, int rating)
{
    int status;
    pid_t child = fork();
    ck_assert_int_ge(child, 0);
    if (child == 0)
        _exit((int)peek_failing_at(n, size, rating));
    ck_assert_int_eq(waitpid(child, &status, 0), child);
    return WIFEXITED(status) && WEXITSTATUS(status) < OUTCOMES ? (enum outcome)WEXITSTATUS(status) : CRASHED;
}

static void try_all(size_t size, int rating, int count[OUTCOMES])
{
    enum outcome outcome = WHOLE;
    memset(count, 0, OUTCOMES * sizeof *count);
    for (long n = 0; outcome != ENOUGH; n++)
        count[outcome = try_one(n, size, rating)]++;
}

/* Every failure is told, or made no difference; both when one call fails and when all later ones do. */
START_TEST(tags)
{
    int count[OUTCOMES];
    size_t size = make_jpeg(4, NULL);
    for (int i = 0; i < 2; i++) {
        goes_on_failing = i > 0;
        try_all(size, 4, count);
        ck_assert_msg(count[LOST] == 0 && count[CRASHED] == 0 && count[TOLD] > 10, "%d lost, %d crashed",
                      count[LOST], count[CRASHED]);
    }
    goes_on_failing = false;
}
END_TEST

/* The XMP library takes some failures for damaged XML: those cannot be told (exempi 2.6.3: 3 in 100). */
START_TEST(packet)
{
    int count[OUTCOMES];
    size_t size = make_jpeg(0, "<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf:RDF xmlns:rdf='http://www.w3.org/"
                               "1999/02/22-rdf-syntax-ns#'><rdf:Description rdf:about='' xmlns:xmp='http://"
                               "ns.adobe.com/xap/1.0/' xmp:Rating='3'/></rdf:RDF></x:xmpmeta>");
    try_all(size, 3, count);
    ck_assert_msg(count[TOLD] > 10 * (count[LOST] + count[CRASHED]), "%d told, %d lost, %d crashed",
                  count[TOLD], count[LOST], count[CRASHED]);
}
END_TEST

#endif

int main(void)
{
    Suite *suite = suite_create("peek_memory");
    TCase *tc = tcase_create("peek_memory");
    tcase_set_timeout(tc, 60);
#ifndef CHAFFINCH_SANITIZED
    tcase_add_test(tc, tags);
    tcase_add_test(tc, packet);
#else
    puts("skipped: sanitizers bring their own malloc");
#endif
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
