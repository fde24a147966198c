/* catalogue_place.h - a session in a temporary folder, and short ways to fill and look at its catalogue. */
#ifndef CATALOGUE_PLACE_H
#define CATALOGUE_PLACE_H

#include <check.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "chaffinch/catalogue.h"

struct place {
    char path[64];
    char file[96]; /* the catalogue */
    struct root root;
};

static inline void place_open(struct place *p)
{
    struct err err = ERR_INIT;
    ck_assert_msg(root_open(&p->root, files_system(), p->path, false, true, &err), "%s", err.message);
}

static inline void place_make(struct place *p)
{
    /* In memory where that can be had: no test here cuts the power, and thousands of syncs take minutes. */
    strcpy(p->path,
           access("/dev/shm", W_OK) == 0 ? "/dev/shm/chaffinch-cat-XXXXXX" : "/tmp/chaffinch-cat-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(p->path));
    (void)snprintf(p->file, sizeof p->file, "%s/.chaffinch/catalogue.db", p->path);
    place_open(p);
}

static inline void place_clean(struct place *p)
{
    char command[128];
    root_close(&p->root);
    (void)snprintf(command, sizeof command, "rm -rf '%s'", p->path);
    ck_assert_int_eq(system(command), 0);
}

static inline struct catalogue *must_open(struct place *p, enum catalogue_access access)
{
    struct err err = ERR_INIT;
    struct catalogue *c = catalogue_open(&p->root, access, &err);
    ck_assert_msg(c != NULL, "%s", err.message);
    return c;
}

static inline int64_t put(struct catalogue *c, const char *identity, const char *path, int64_t burst,
                          uint32_t position)
{
    struct err err = ERR_INIT;
    int64_t id = 0;
    const struct catalogue_frame frame = {.identity = identity,
                                          .body = "A1",
                                          .folder = "DCIM/100EXMPL",
                                          .name = "DEMO0001",
                                          .prefix = "DEMO",
                                          .number = 1,
                                          .folder_number = 100,
                                          .has_time = true,
                                          .time_ns = 42,
                                          .orientation = 1};
    const struct catalogue_file file = {.path = path,
                                        .kind = "jpeg",
                                        .size = 7,
                                        .mtime_ns = 9,
                                        .has_fingerprint = true,
                                        .fingerprint = {{1, 2, 3}}};
    ck_assert_msg(catalogue_put_frame(c, &frame, &id, &err), "%s", err.message);
    ck_assert_msg(catalogue_put_files(c, id, &file, 1, &err), "%s", err.message);
    ck_assert(catalogue_set_place(c, id, burst, position, 42, &err));
    return id;
}

static inline void propose(struct catalogue *c, int64_t frame, const char *proposal)
{
    struct err err = ERR_INIT;
    const struct catalogue_choice choice = {.frame = frame, .proposal = proposal, .reason = "soft"};
    ck_assert_msg(catalogue_put_choice(c, &choice, &err), "%s", err.message);
}

struct seen {
    int n;
    char path[256], outcome[16];
    enum catalogue_decision decision;
    bool camera, accepted, has_item, shortlist, recalled;
    double blur, clipped, decoded;
    uint32_t n_items;
};

static inline bool see_row(void *context, const struct catalogue_row *row, struct err *err)
{
    struct seen *s = context;
    (void)err;
    s->n++;
    (void)snprintf(s->path, sizeof s->path, "%s", row->path != NULL ? row->path : "");
    (void)snprintf(s->outcome, sizeof s->outcome, "%s", row->outcome);
    s->decision = row->decision;
    s->camera = row->decided_in_camera;
    s->accepted = row->accepted;
    s->has_item = row->has_item;
    s->shortlist = row->shortlist;
    s->recalled = row->recalled;
    s->blur = row->item.blur_px;
    s->clipped = row->item.part[8]; /* RANK_CLIPPED */
    s->decoded = row->frame.decoded;
    s->n_items = row->n_items;
    return true;
}

static inline struct seen look(struct catalogue *c, int64_t frame)
{
    struct err err = ERR_INIT;
    struct seen s = {0};
    const struct catalogue_filter filter = {.frame = frame};
    ck_assert_msg(catalogue_each_row(c, &filter, see_row, &s, &err), "%s", err.message);
    return s;
}

/* Whatever the sqlite3 shell can do to the file. */
static inline void raw_sql(struct place *p, const char *text)
{
    sqlite3 *db;
    char *message = NULL;
    ck_assert_int_eq(sqlite3_open(p->file, &db), SQLITE_OK);
    (void)sqlite3_exec(db, text, NULL, NULL, &message);
    ck_assert_msg(message == NULL, "%s", message);
    ck_assert_int_eq(sqlite3_close(db), SQLITE_OK);
}

/* The first column of the first row, as text; NULL where there is none. */
static inline const char *raw_value(struct place *p, const char *text, char out[256])
{
    sqlite3 *db;
    sqlite3_stmt *st;
    ck_assert_int_eq(sqlite3_open(p->file, &db), SQLITE_OK);
    ck_assert_msg(sqlite3_prepare_v2(db, text, -1, &st, NULL) == SQLITE_OK, "%s", sqlite3_errmsg(db));
    bool row = sqlite3_step(st) == SQLITE_ROW && sqlite3_column_type(st, 0) != SQLITE_NULL;
    if (row)
        (void)snprintf(out, 256, "%s", (const char *)sqlite3_column_text(st, 0));
    (void)sqlite3_finalize(st);
    ck_assert_int_eq(sqlite3_close(db), SQLITE_OK);
    return row ? out : NULL;
}

static inline int run_suite(Suite *suite)
{
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}

#endif
