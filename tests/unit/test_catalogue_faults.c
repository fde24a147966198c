/*
 * Everything that the catalogue can do, while SQLite fails: the Nth statement cannot be prepared, the Nth
 * step is broken off, the Nth allocation of SQLite's fails. Each failure is told, what it broke into is
 * rolled back, and the same work can be done afterwards.
 *
 * By default some of them fail; with CHAFFINCH_LONG=1 every statement, and one in seven of the others;
 * CHAFFINCH_STEP says which statements, one in so many.
 */
#include <errno.h>
#include <fcntl.h>

#include "catalogue_place.h"
#include "chaffinch/textlog.h"

/* ---- what fails ---------------------------------------------------------------------------------------- */

enum way { PREPARE, STEP, MEMORY, WAYS };
static const char *const ways[WAYS] = {"a statement", "a step", "an allocation"};

static struct {
    enum way way;
    long at, n; /* at = 0: nothing fails */
    bool met;
} fault;

static bool fails(enum way way)
{
    if (fault.at == 0 || fault.way != way || ++fault.n != fault.at)
        return false;
    fault.met = true;
    return true;
}

static int authorize(void *context, int action, const char *a, const char *b, const char *c, const char *d)
{
    (void)context, (void)action, (void)a, (void)b, (void)c, (void)d;
    return fails(PREPARE) ? SQLITE_DENY : SQLITE_OK;
}

static int progress(void *context)
{
    (void)context;
    return fails(STEP);
}

/* Called by SQLite for each connection that is opened. */
static int listen_in(sqlite3 *db, char **message, const struct sqlite3_api_routines *api)
{
    (void)message, (void)api;
    (void)sqlite3_set_authorizer(db, authorize, NULL);
    sqlite3_progress_handler(db, 7, progress, NULL);
    return SQLITE_OK;
}

static sqlite3_mem_methods memory;

static void *failing_malloc(int size)
{
    return fails(MEMORY) ? NULL : memory.xMalloc(size);
}

static void *failing_realloc(void *at, int size)
{
    return fails(MEMORY) ? NULL : memory.xRealloc(at, size);
}

static void install(void)
{
    (void)sqlite3_config(SQLITE_CONFIG_GETMALLOC, &memory);
    sqlite3_mem_methods failing = memory;
    failing.xMalloc = failing_malloc;
    failing.xRealloc = failing_realloc;
    if (sqlite3_config(SQLITE_CONFIG_MALLOC, &failing) != SQLITE_OK ||
        sqlite3_auto_extension((void (*)(void))listen_in) != SQLITE_OK)
        abort();
}

/* ---- the work ------------------------------------------------------------------------------------------ */

static int glances;

#define VISIT(name, type)                                                                                    \
    static bool name(void *context, const struct type *what, struct err *err)                                \
    {                                                                                                        \
        (void)context, (void)what, (void)err;                                                                \
        glances++;                                                                                           \
        return true;                                                                                         \
    }
VISIT(glance_at_row, catalogue_row)
VISIT(glance_at_file, catalogue_file)
VISIT(glance_at_burst, catalogue_burst)
VISIT(glance_at_item, catalogue_item)
VISIT(glance_at_area, catalogue_area)
VISIT(glance_at_decided, catalogue_decided)
VISIT(glance_at_copy, catalogue_copy)

static bool glance_at_frame(void *context, int64_t frame, struct err *err)
{
    (void)context, (void)frame, (void)err;
    glances++;
    return true;
}

static bool frame_in(struct catalogue *c, int k, int64_t *id, struct err *err)
{
    char identity[8], path[32];
    (void)snprintf(identity, sizeof identity, "A1 a%d", k);
    (void)snprintf(path, sizeof path, "D/%d.JPG", k);
    const struct catalogue_frame frame = {.identity = identity,
                                          .body = "A1",
                                          .folder = "D",
                                          .name = "1",
                                          .prefix = "",
                                          .number = k,
                                          .has_time = true};
    const struct catalogue_file files[] = {{.path = path, .kind = "jpeg", .size = 7, .has_fingerprint = true},
                                           {.path = identity, .kind = "sound", .size = 3}};
    return catalogue_put_frame(c, &frame, id, err) && catalogue_put_files(c, *id, files, 2, err) &&
           catalogue_put_files(c, *id, files, 1, err) &&
           catalogue_set_place(c, *id, 1, (uint32_t)k, 5, err) &&
           catalogue_set_state(c, *id, "not-scored", "", err) && catalogue_set_size(c, *id, 90, 60, err) &&
           catalogue_set_measured(c, *id, "full", 90, 60, 1, 0, 8, err) &&
           catalogue_set_decoded(c, *id, .5, err) && catalogue_set_missing(c, *id, false, err);
}

static bool measure(struct catalogue *c, int64_t id[3], struct err *err)
{
    const struct catalogue_burst burst = {
        .number = 1, .body = "A1", .setup = 1, .n_frames = 3, .mode = "flight", .stamp = "s"};
    bool ok = true;
    for (int k = 0; ok && k < 3; k++)
        ok = frame_in(c, k, &id[k], err);
    if (!ok)
        return false;
    const struct catalogue_item item = {.frame = id[0], .pass = 1, .score = 1};
    const struct catalogue_choice choice = {id[0], 1, 1, "keep", "sharpest"},
                                  other = {id[1], 0, 0, "reject", "soft"};
    return catalogue_put_bursts(c, &burst, 1, err) && catalogue_set_burst_ranked(c, &burst, err) &&
           catalogue_put_items(c, 1, &item, 1, err) && catalogue_put_choice(c, &choice, err) &&
           catalogue_put_choice(c, &other, err) && catalogue_set_setting(c, "gap_ns", "5", err);
}

static bool decide(struct catalogue *c, const int64_t id[3], struct err *err)
{
    struct catalogue_area area = {.setup = 1, .w = .5, .h = .5};
    struct catalogue_act act;
    int64_t drawn;
    return catalogue_decide(c, id, 2, CATALOGUE_REJECT, "ann", err) &&
           catalogue_accept(c, 1, true, "ann", err) && catalogue_accept_frames(c, id, 2, false, "ann", err) &&
           catalogue_shortlist(c, id[2], true, "ann", err) && catalogue_recall(c, 1, true, "ann", err) &&
           catalogue_add_area(c, &area, "ann", &drawn, err) && catalogue_remove_area(c, drawn, "ann", err) &&
           catalogue_undo(c, "ann", &act, err) &&
           catalogue_each_undone(c, &act, glance_at_frame, NULL, err) &&
           catalogue_undo(c, "ann", &act, err) && catalogue_undo(c, "ann", &act, err);
}

static bool read_all(struct catalogue *c, const int64_t id[3], struct err *err)
{
    const struct catalogue_filter filters[] = {
        {.with_missing = true}, {.burst = 1, .outcome = "reject"}, {.frame = id[0]}};
    struct catalogue_moves moves;
    struct catalogue_counts counts;
    int64_t number;
    char *text = NULL;
    bool ok = true;
    for (int i = 0; ok && i < 3; i++)
        ok = catalogue_each_row(c, &filters[i], glance_at_row, NULL, err);
    ok = ok && catalogue_each_file(c, 0, glance_at_file, NULL, err) &&
         catalogue_each_file(c, id[0], glance_at_file, NULL, err) &&
         catalogue_each_burst(c, glance_at_burst, NULL, err) &&
         catalogue_each_item(c, 1, glance_at_item, NULL, err) &&
         catalogue_each_item_ever(c, 1, glance_at_item, NULL, err) &&
         catalogue_each_area(c, glance_at_area, NULL, err) &&
         catalogue_history(c, id[0], glance_at_decided, NULL, err) &&
         catalogue_find_path(c, "D/1.JPG", &number, err) && catalogue_data_version(c, &number, err) &&
         catalogue_count_moves(c, &moves, err) && catalogue_count(c, &counts, err) &&
         catalogue_get_setting(c, "gap_ns", &text, err) &&
         catalogue_each_copy(c, glance_at_copy, NULL, err) && catalogue_check(c, NULL, err);
    free(text);
    return ok;
}

static bool first_file(void *context, const struct catalogue_file *file, struct err *err)
{
    (void)err;
    *(int64_t *)context = file->id;
    return true;
}

/* As apply does it, and copy. */
static bool move(struct catalogue *c, const int64_t id[3], struct err *err)
{
    const struct catalogue_copy copy = {.path = "D/1.JPG", .card_path = "D/1.JPG", .card = "x", .second = ""};
    int64_t file = 0;
    return catalogue_begin(c, err) && catalogue_each_file(c, id[1], first_file, &file, err) &&
           catalogue_set_file_path(c, file, "rejects/D/1.JPG", "D/1.JPG", err) &&
           catalogue_put_copy(c, &copy, err) && catalogue_forget_file(c, file, err) &&
           catalogue_commit(c, err);
}

static bool work(const struct place *p, struct err *err)
{
    int64_t id[3];
    struct catalogue *c = catalogue_open(&p->root, CATALOGUE_WRITE, err);
    bool ok =
        c != NULL && measure(c, id, err) && decide(c, id, err) && move(c, id, err) && read_all(c, id, err);
    catalogue_close(c);
    return ok;
}

/* The log is there and the tables are not: decisions wait for their frames. Then the log is lost, and written
 * anew. */
static bool rebuild(const struct place *p, struct err *err)
{
    static const char *const of_nobody[] = {"A1 zz", "keep", "ann", "2026-05-01T07:30:00.000000001Z"};
    int64_t id[3];
    (void)remove(p->file);
    struct catalogue *c = textlog_append(&p->root, "decisions.log", of_nobody, 4, err)
                              ? catalogue_open(&p->root, CATALOGUE_WRITE, err)
                              : NULL;
    bool ok = c != NULL && measure(c, id, err);
    catalogue_close(c);
    if (!ok)
        return false;
    (void)unlinkat(p->root.state, "decisions.log", 0);
    c = catalogue_open(&p->root, CATALOGUE_WRITE, err);
    ok = c != NULL && catalogue_decide(c, id, 1, CATALOGUE_KEEP, "ben", err) && catalogue_check(c, NULL, err);
    catalogue_close(c);
    return ok;
}

/* ---- the tests ----------------------------------------------------------------------------------------- */

static void check_sound(const struct place *p, long n, enum way way)
{
    struct err err = ERR_INIT;
    struct catalogue *c = catalogue_open(&p->root, CATALOGUE_WRITE, &err);
    ck_assert_msg(c != NULL && catalogue_check(c, NULL, &err), "%s %ld: %s", ways[way], n, err.message);
    catalogue_close(c);
}

/* Fails one in `step`, until a run gets through. */
static long sweep(enum way way, long step, bool (*what)(const struct place *, struct err *))
{
    long failures = 0;
    const char *given = getenv("CHAFFINCH_STEP");
    if (given != NULL && way == PREPARE)
        step = atol(given);
    if (getenv("CHAFFINCH_LONG") != NULL)
        step = way == PREPARE ? 1 : 7;
    for (long n = 1;; n += step, failures++) {
        struct place p;
        struct err err = ERR_INIT;
        place_make(&p);
        if (what == rebuild)
            ck_assert_msg(work(&p, &err), "%s", err.message);
        fault.way = way, fault.at = n, fault.n = 0, fault.met = false;
        bool ok = what(&p, &err);
        fault.at = 0;
        bool met = fault.met;
        /* SQLite may do without: a smaller cache, an index not looked at. */
        ck_assert_msg(ok || (met && err.code != ERR_NONE && err.message[0] != '\0'), "%s %ld: '%s'",
                      ways[way], n, err.message);
        err = (struct err)ERR_INIT;
        check_sound(&p, n, way);
        ck_assert_msg(work(&p, &err), "%s %ld, then once more: %s", ways[way], n, err.message);
        check_sound(&p, n, way);
        place_clean(&p);
        if (!met)
            return failures;
    }
}

START_TEST(every_statement_may_fail)
{
    ck_assert_int_ge(sweep(PREPARE, 37, work), 10);
    ck_assert_int_ge(sweep(PREPARE, 41, rebuild), 10);
}
END_TEST

START_TEST(every_step_may_be_broken_off)
{
    ck_assert_int_ge(sweep(STEP, 97, work), 5);
    ck_assert_int_ge(sweep(STEP, 101, rebuild), 5);
}
END_TEST

START_TEST(memory_of_sqlite_may_fail)
{
    ck_assert_int_ge(sweep(MEMORY, 1999, work), 5);
    ck_assert_int_ge(sweep(MEMORY, 1997, rebuild), 5);
}
END_TEST

int main(void)
{
    install();
    Suite *suite = suite_create("catalogue faults");
    TCase *tc = tcase_create("faults");
    tcase_set_timeout(tc, 600);
    tcase_add_test(tc, every_statement_may_fail);
    tcase_add_test(tc, every_step_may_be_broken_off);
    tcase_add_test(tc, memory_of_sqlite_may_fail);
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
