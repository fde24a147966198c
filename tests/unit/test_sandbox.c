/*
 * Decoders behind the limits of a worker: what they need is allowed, and they give the same as without.
 */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>

#include "chaffinch/decode.h"
#include "chaffinch/measure.h"
#include "chaffinch/worker.h"
#include "../ref/maker.h"

static bool begin(void *context, const struct decode_source *source, struct err *err)
{
    struct measure **m = context;
    *m = measure_new(source->width_px, source->height_px, err);
    return *m != NULL;
}

static void row(void *context, const uint8_t *luma)
{
    struct measure **m = context;
    measure_row(*m, luma);
}

/* Decodes, measures and packs: what a measuring job does. */
static bool measure_bytes(enum decode_kind kind, const uint8_t *bytes, size_t size, uint8_t **packed,
                          size_t *n, struct err *err)
{
    struct measure *m = NULL;
    const struct decode_sink sink = {.context = &m, .begin = begin, .row = row};
    struct decode_source source;
    if (!decode_luma(kind, bytes, size, &sink, &source, err)) {
        measure_free(m);
        return false;
    }
    struct cells *cells = measure_finish(m, err);
    bool ok = cells != NULL && cells_pack(cells, packed, n, err);
    cells_free(cells);
    return ok;
}

static void handle(uint32_t kind, const uint8_t *request, size_t size, const int *fds, size_t n_fds,
                   struct worker_reply *reply)
{
    struct stat st;
    struct err err = ERR_INIT;
    (void)request;
    (void)size;
    if (n_fds != 1 || fstat(fds[0], &st) != 0) {
        snprintf(reply->cause, sizeof reply->cause, "no file");
        return;
    }
    void *map = mmap(NULL, (size_t)st.st_size, PROT_READ, MAP_PRIVATE, fds[0], 0);
    if (map == MAP_FAILED) {
        snprintf(reply->cause, sizeof reply->cause, "cannot map");
        return;
    }
    reply->ok =
        measure_bytes((enum decode_kind)kind, map, (size_t)st.st_size, &reply->bytes, &reply->size, &err);
    if (!reply->ok)
        snprintf(reply->cause, sizeof reply->cause, "%.255s", err.message);
    munmap(map, (size_t)st.st_size);
}

static void check_same(struct worker_pool *pool, enum decode_kind kind, struct bytes file)
{
    struct err err = ERR_INIT, here = ERR_INIT;
    FILE *f = tmpfile();
    ck_assert_ptr_nonnull(f);
    ck_assert_uint_eq(fwrite(file.at, 1, file.size, f), file.size);
    fflush(f);
    const struct worker_job job = {.kind = kind, .fds = {fileno(f)}, .n_fds = 1};
    struct worker_result r;
    ck_assert_msg(worker_submit(pool, &job, &err) && worker_wait(pool, NULL, &r, &err), "%s", err.message);
    fclose(f);
    uint8_t *packed = NULL;
    size_t n = 0;
    bool ok = measure_bytes(kind, file.at, file.size, &packed, &n, &here);
    ck_assert_msg(ok == r.ok, "there: '%s', here: '%s'", r.cause, here.message);
    if (ok) {
        ck_assert_uint_eq(r.size, n);
        ck_assert_mem_eq(r.bytes, packed, n);
    } else {
        ck_assert_str_eq(r.cause, here.message);
    }
    free(packed);
    worker_result_release(&r);
    free(file.at);
}

START_TEST(decoders_work_behind_the_limits)
{
    struct err err = ERR_INIT;
    const struct worker_config config = {.handler = handle, .workers = 1, .wall_s = 20};
    struct worker_pool *pool = worker_pool_start(&config, &err);
    ck_assert_msg(pool != NULL, "%s", err.message);
    printf("limits: %s\n", worker_limits_text(pool));
    const struct make_jpeg plain = {.width_px = 1200, .height_px = 900};
    const struct make_jpeg progressive = {.width_px = 1200, .height_px = 900, .progressive = true};
    struct bytes preview = make_jpeg(&plain);
    const struct make_dng small = {.width_px = 600, .height_px = 400};
    const struct make_dng with_preview = {.width_px = 1200, .height_px = 900, .preview = &preview};
    check_same(pool, DECODE_JPEG, make_jpeg(&plain));
    check_same(pool, DECODE_JPEG, make_jpeg(&progressive));
    check_same(pool, DECODE_RAW, make_dng(&small));
    check_same(pool, DECODE_RAW, make_dng(&with_preview));
    free(preview.at);
    struct bytes cut = make_dng(&small); /* LibRaw throws and catches */
    cut.size /= 2;
    check_same(pool, DECODE_RAW, cut);
    cut = make_jpeg(&plain);
    cut.size /= 2;
    check_same(pool, DECODE_JPEG, cut);
    worker_pool_stop(pool);
}
END_TEST

START_TEST(real_files_decode_behind_the_limits)
{
    static const struct {
        const char *name;
        enum decode_kind kind;
    } files[] = {{"raw/CRW.CRW", DECODE_RAW},
                 {"raw/colorchart.dng", DECODE_RAW},
                 {"raw-damaged/Nikon.nef", DECODE_RAW},
                 {"raw-damaged/FujiFilm.raf", DECODE_RAW},
                 {"focus-series/pcb_003.JPG", DECODE_JPEG}};
    struct err err = ERR_INIT;
    const struct worker_config config = {.handler = handle, .workers = 1, .wall_s = 20};
    struct worker_pool *pool = worker_pool_start(&config, &err);
    ck_assert_msg(pool != NULL, "%s", err.message);
    for (size_t i = 0; i < sizeof files / sizeof files[0]; i++) {
        struct bytes file = shared_file(files[i].name);
        if (file.at != NULL)
            check_same(pool, files[i].kind, file);
    }
    worker_pool_stop(pool);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("sandbox");
    TCase *t = tcase_create("sandbox");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, decoders_work_behind_the_limits);
    tcase_add_test(t, real_files_decode_behind_the_limits);
    suite_add_tcase(s, t);
    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_ENV);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed == 0 ? 0 : 1;
}
