/* The catalogue: rows in and out. */
#include <math.h>
#include <unistd.h>

#include "catalogue_place.h"

static struct place place;
static struct catalogue *c;
static struct err err;

static void setup(void)
{
    err = (struct err)ERR_INIT;
    place_make(&place);
    c = must_open(&place, CATALOGUE_WRITE);
}

static void teardown(void)
{
    catalogue_close(c);
    place_clean(&place);
}

static bool see_frame(void *context, const struct catalogue_row *row, struct err *ignored)
{
    const struct catalogue_frame *want = context, *f = &row->frame;
    (void)ignored;
    ck_assert_str_eq(f->identity, want->identity);
    ck_assert_str_eq(f->body, want->body);
    ck_assert_str_eq(f->folder, want->folder);
    ck_assert_str_eq(f->name, want->name);
    ck_assert_str_eq(f->prefix, want->prefix);
    ck_assert(f->number == want->number && f->folder_number == want->folder_number);
    ck_assert_str_eq(f->maker, want->maker);
    ck_assert_str_eq(f->model, want->model);
    ck_assert_str_eq(f->serial, want->serial);
    ck_assert_str_eq(f->lens, want->lens);
    ck_assert(f->has_time && f->time_ns == want->time_ns && f->subsec_digits == want->subsec_digits);
    ck_assert(f->has_offset && f->offset_min == want->offset_min);
    ck_assert(f->exposure_s == want->exposure_s && f->f_number == want->f_number);
    ck_assert(f->focal_mm == want->focal_mm && f->iso == want->iso && f->focus_m == want->focus_m);
    ck_assert(f->orientation == want->orientation && f->width_px == want->width_px);
    ck_assert(f->height_px == want->height_px && f->rating == want->rating && f->is_protected);
    ck_assert(f->sequence == want->sequence && f->burst_group == want->burst_group);
    ck_assert_str_eq(f->state, "measured");
    ck_assert_str_eq(f->cause, "the raw beside the JPEG cannot be read");
    ck_assert_str_eq(f->judged_on, "preview");
    ck_assert(f->judged_width_px == 1620 && f->judged_height_px == 1080);
    ck_assert(f->pack == 3 && f->pack_offset == 1 << 30 && f->pack_size == 700000);
    ck_assert(f->burst == 7 && f->position == 8 && f->estimated_ns == -9);
    return true;
}

START_TEST(a_frame_comes_back_as_it_went_in)
{
    int64_t id = 0, again = 0;
    struct catalogue_frame frame = {
        .identity = "0123 00ff",
        .body = "0123",
        .folder = "DCIM/\xff\xfe",
        .name = "DEMO\n0001",
        .prefix = "DEMO",
        .number = 1,
        .folder_number = -1,
        .maker = "Example",
        .model = "Demo-1",
        .serial = "0123",
        .lens = "400mm \xc3\xbc",
        .has_time = true,
        .time_ns = 1924999999123456789,
        .subsec_digits = 9,
        .has_offset = true,
        .offset_min = -210,
        .exposure_s = 1.0 / 3200,
        .f_number = 5.6,
        .focal_mm = 400,
        .iso = 1600,
        .focus_m = 12.25,
        .orientation = 6,
        .width_px = 5472,
        .height_px = 3648,
        .rating = 5,
        .is_protected = true,
        .sequence = 11,
        .burst_group = 12,
    };
    ck_assert_msg(catalogue_put_frame(c, &frame, &id, &err), "%s", err.message);
    ck_assert(catalogue_set_measured(c, id, "preview", 1620, 1080, 3, 1 << 30, 700000, &err));
    ck_assert(catalogue_set_state(c, id, "measured", "the raw beside the JPEG cannot be read", &err));
    ck_assert(catalogue_set_place(c, id, 7, 8, -9, &err));
    const struct catalogue_filter all = {0};
    ck_assert_msg(catalogue_each_row(c, &all, see_frame, &frame, &err), "%s", err.message);
    /* Metadata that changed is taken over; state, place and decisions stay. */
    frame.name = "renamed";
    frame.rating = 2;
    ck_assert(catalogue_put_frame(c, &frame, &again, &err));
    ck_assert_int_eq(again, id);
    ck_assert_msg(catalogue_each_row(c, &all, see_frame, &frame, &err), "%s", err.message);
    /* A state that is none is a mistake of the caller, and told. */
    ck_assert(!catalogue_set_state(c, id, "flying", "", &err));
}
END_TEST

START_TEST(items_and_choices_come_back)
{
    int64_t id = put(c, "A1 ff", "DCIM/a\n\xff.JPG", 1, 0);
    struct catalogue_item items[] = {{.frame = id, .pass = 1, .blur_px = 1.25, .score = 3},
                                     {.frame = id, .pass = 2, .blur_px = (double)NAN, .score = 1.5}};
    const struct catalogue_choice choice = {
        .frame = id, .pass = 2, .rank = 1, .proposal = "reject", .reason = "soft"};
    ck_assert(catalogue_put_items(c, 1, items, 2, &err));
    ck_assert(catalogue_put_choice(c, &choice, &err));
    struct seen s = look(c, id);
    ck_assert_int_eq(s.n, 1);
    ck_assert_str_eq(s.path, "DCIM/a\n\xff.JPG");
    ck_assert_str_eq(s.outcome, "reject");
    ck_assert(s.has_item && isnan(s.blur) && s.n_items == 2);
    /* In the file, not known is NULL. */
    char text[256];
    ck_assert_ptr_null(raw_value(&place, "SELECT blur_px FROM item WHERE pass = 2", text));
    ck_assert_str_eq(raw_value(&place, "SELECT blur_px FROM item WHERE pass = 1", text), "1.25");
    /* All items of a burst are replaced at once. */
    ck_assert(catalogue_put_items(c, 1, items, 1, &err));
    s = look(c, id);
    ck_assert(!s.has_item && s.n_items == 1);
    /* An item of a frame that is not there breaks a foreign key. */
    items[0].frame = 999;
    ck_assert(!catalogue_put_items(c, 1, items, 1, &err));
}
END_TEST

struct order {
    char text[256];
};

static bool note_item(void *context, const struct catalogue_item *item, struct err *ignored)
{
    struct order *o = context;
    size_t used = strlen(o->text);
    (void)ignored;
    (void)snprintf(o->text + used, sizeof o->text - used, "%lld.%u:%g/%u-%u ", (long long)item->frame,
                   item->pass, item->score, item->outline[0], item->outline[15]);
    return true;
}

static bool check_parts(void *context, const struct catalogue_item *item, struct err *ignored)
{
    int *n = context;
    (void)ignored;
    for (int k = 0; k < CATALOGUE_PARTS - 1; k++)
        ck_assert_double_eq(item->part[k], k + 0.5);
    ck_assert(item->part[CATALOGUE_PARTS - 1] != item->part[CATALOGUE_PARTS - 1]);
    ++*n;
    return true;
}

START_TEST(parts_of_a_score_stay_what_they_are)
{
    int64_t id = put(c, "A1 aa", "a.JPG", 4, 0);
    struct catalogue_item item = {.frame = id, .pass = 1};
    int n = 0;
    for (int k = 0; k < CATALOGUE_PARTS - 1; k++)
        item.part[k] = k + 0.5;
    item.part[CATALOGUE_PARTS - 1] = (double)NAN; /* not known */
    ck_assert(catalogue_put_items(c, 4, &item, 1, &err));
    ck_assert(catalogue_each_item(c, 4, check_parts, &n, &err));
    ck_assert_int_eq(n, 1);
}
END_TEST

START_TEST(items_come_in_order_of_position_and_pass)
{
    struct order o = {""};
    int64_t b = put(c, "A1 bb", "b.JPG", 4, 1), a = put(c, "A1 aa", "a.JPG", 4, 0);
    int64_t other = put(c, "A1 cc", "c.JPG", 5, 0);
    const struct catalogue_item items[] = {
        {.frame = b, .pass = 2, .score = 4, .outline = {9, [15] = 8}},
        {.frame = b, .pass = 1, .score = 3},
        {.frame = a, .pass = 1, .score = 2},
    };
    const struct catalogue_item lone = {.frame = other, .pass = 1};
    ck_assert(catalogue_put_items(c, 4, items, 3, &err));
    ck_assert(catalogue_put_items(c, 5, &lone, 1, &err));
    ck_assert(catalogue_each_item(c, 4, note_item, &o, &err));
    ck_assert_str_eq(o.text, "2.1:2/0-0 1.1:3/0-0 1.2:4/9-8 ");
}
END_TEST

static bool note_file(void *context, const struct catalogue_file *file, struct err *ignored)
{
    struct order *o = context;
    size_t used = strlen(o->text);
    (void)ignored;
    (void)snprintf(o->text + used, sizeof o->text - used, "%lld %s%s%s ", (long long)file->id, file->path,
                   file->home != NULL ? "<" : "", file->home != NULL ? file->home : "");
    return true;
}

START_TEST(files_of_a_frame_are_exactly_those_given)
{
    struct order o = {""};
    int64_t id = put(c, "A1 aa", "a.JPG", 1, 0);
    const struct catalogue_file files[] = {{.path = "a.JPG", .kind = "jpeg"},
                                           {.path = "a.NEF", .kind = "raw"},
                                           {.path = "a.xmp", .kind = "sidecar"}};
    ck_assert(catalogue_put_files(c, id, files, 3, &err));
    ck_assert(catalogue_each_file(c, id, note_file, &o, &err));
    ck_assert_str_eq(o.text, "1 a.JPG 2 a.NEF 3 a.xmp ");
    /* The raw went, the others keep their ids. */
    const struct catalogue_file fewer[] = {files[2], files[0]};
    o.text[0] = '\0';
    ck_assert(catalogue_put_files(c, id, fewer, 2, &err));
    ck_assert(catalogue_each_file(c, 0, note_file, &o, &err));
    ck_assert_str_eq(o.text, "1 a.JPG 3 a.xmp ");
    /* What apply moved is not forgotten when the walk no longer sees it. */
    ck_assert(catalogue_set_file_path(c, 1, "rejects/a.JPG", "a.JPG", &err));
    ck_assert(catalogue_put_files(c, id, NULL, 0, &err));
    o.text[0] = '\0';
    ck_assert(catalogue_each_file(c, 0, note_file, &o, &err));
    ck_assert_str_eq(o.text, "1 rejects/a.JPG<a.JPG ");
}
END_TEST

START_TEST(a_path_leads_to_its_frame)
{
    int64_t id = put(c, "A1 ff", "DCIM/a\n\xff.JPG", 1, 0), found = -1;
    /* The same identity is the same frame, wherever its file went. */
    ck_assert_int_eq(put(c, "A1 ff", "other/name.JPG", 1, 0), id);
    ck_assert(catalogue_find_path(c, "other/name.JPG", &found, &err));
    ck_assert_int_eq(found, id);
    ck_assert(catalogue_find_path(c, "DCIM/a\n\xff.JPG", &found, &err));
    ck_assert_int_eq(found, 0);
    /* Other content under the same name is another frame, which then owns the name. */
    int64_t after = put(c, "A1 ee", "other/name.JPG", 1, 1);
    ck_assert_int_ne(after, id);
    ck_assert_str_eq(look(c, id).path, "");
    ck_assert_str_eq(look(c, after).path, "other/name.JPG");
    ck_assert(catalogue_check(c, NULL, &err));
}
END_TEST

START_TEST(moves_are_followed)
{
    struct catalogue_counts n;
    int64_t id = put(c, "A1 aa", "a.JPG", 1, 0), found = 0;
    ck_assert(catalogue_set_file_path(c, 1, "rejects/a.JPG", "a.JPG", &err));
    ck_assert(catalogue_find_path(c, "a.JPG", &found, &err));
    ck_assert_int_eq(found, id);
    ck_assert_str_eq(look(c, id).path, "rejects/a.JPG");
    /* A new file under the old name is found first; the moved one keeps its own row. */
    int64_t newer = put(c, "A1 bb", "a.JPG", 1, 1);
    ck_assert(catalogue_find_path(c, "a.JPG", &found, &err));
    ck_assert_int_eq(found, newer);
    ck_assert_str_eq(look(c, id).path, "rejects/a.JPG");
    ck_assert(catalogue_forget_file(c, 1, &err));
    ck_assert(catalogue_count(c, &n, &err));
    ck_assert_uint_eq(n.frames, 1);
    ck_assert_uint_eq(n.missing, 1);
}
END_TEST

static bool note_burst(void *context, const struct catalogue_burst *b, struct err *ignored)
{
    struct order *o = context;
    size_t used = strlen(o->text);
    (void)ignored;
    (void)snprintf(o->text + used, sizeof o->text - used, "%lld:%s%lld,%u,%s,%s ", (long long)b->number,
                   b->has_time ? "" : "-", (long long)b->start_ns, b->n_passes, b->mode, b->stamp);
    return true;
}

START_TEST(what_ranking_found_follows_its_burst)
{
    struct order o = {""};
    const struct catalogue_burst first[] = {
        {.number = 1, .body = "A1", .has_time = true, .start_ns = 100, .n_frames = 5},
        {.number = 2, .body = "A1", .has_time = true, .start_ns = 200, .n_frames = 6},
        {.number = 3, .body = "A1", .n_frames = 7},
    };
    ck_assert_msg(catalogue_put_bursts(c, first, 3, &err), "%s", err.message);
    for (int i = 0; i < 3; i++) {
        struct catalogue_burst ranked = first[i];
        char stamp[2] = {(char)('a' + i), '\0'};
        ranked.n_passes = (uint32_t)i + 1;
        ranked.mode = "moving";
        ranked.stamp = stamp;
        ck_assert(catalogue_set_burst_ranked(c, &ranked, &err));
    }
    /* A burst arrives in front, the first one grew, the last one is as it was. */
    const struct catalogue_burst second[] = {
        {.number = 1, .body = "A1", .has_time = true, .start_ns = 50, .n_frames = 5},
        {.number = 2, .body = "A1", .has_time = true, .start_ns = 100, .n_frames = 9},
        {.number = 3, .body = "A1", .has_time = true, .start_ns = 200, .n_frames = 6},
        {.number = 4, .body = "A1", .n_frames = 7},
    };
    ck_assert_msg(catalogue_put_bursts(c, second, 4, &err), "%s", err.message);
    ck_assert(catalogue_each_burst(c, note_burst, &o, &err));
    ck_assert_str_eq(o.text, "1:50,0,, 2:100,0,, 3:200,2,moving,b 4:-0,3,moving,c ");
    ck_assert_msg(catalogue_put_bursts(c, second, 1, &err), "%s", err.message);
    o.text[0] = '\0';
    ck_assert(catalogue_each_burst(c, note_burst, &o, &err));
    ck_assert_str_eq(o.text, "1:50,0,, ");
}
END_TEST

START_TEST(a_transaction_holds_or_does_not)
{
    struct catalogue_counts n;
    char *value = NULL;
    ck_assert(catalogue_begin(c, &err));
    (void)put(c, "A1 aa", "a.JPG", 1, 0);
    ck_assert(catalogue_set_setting(c, "gap_ns", "400000000", &err));
    catalogue_rollback(c);
    catalogue_rollback(c); /* nothing open: nothing happens */
    ck_assert(catalogue_count(c, &n, &err) && n.frames == 0);
    ck_assert(catalogue_get_setting(c, "gap_ns", &value, &err));
    ck_assert_ptr_null(value);
    ck_assert(catalogue_begin(c, &err));
    (void)put(c, "A1 aa", "a.JPG", 1, 0);
    ck_assert(catalogue_set_setting(c, "gap_ns", "400000000", &err));
    ck_assert(catalogue_set_setting(c, "gap_ns", "500000000", &err));
    ck_assert(catalogue_commit(c, &err));
    ck_assert(catalogue_count(c, &n, &err) && n.frames == 1);
    ck_assert(catalogue_get_setting(c, "gap_ns", &value, &err));
    ck_assert_str_eq(value, "500000000");
    free(value);
    /* Closing rolls back. */
    ck_assert(catalogue_begin(c, &err));
    (void)put(c, "A1 bb", "b.JPG", 1, 1);
    catalogue_close(c);
    c = must_open(&place, CATALOGUE_WRITE);
    ck_assert(catalogue_count(c, &n, &err) && n.frames == 1);
}
END_TEST

START_TEST(counts_and_filters)
{
    struct catalogue_counts n;
    struct seen s = {0};
    static const char *const proposals[] = {"keep", "reject", "reject", "none", ""};
    int64_t id[5];
    for (int i = 0; i < 5; i++) {
        char identity[8], path[8];
        (void)snprintf(identity, sizeof identity, "A1 %d", i);
        (void)snprintf(path, sizeof path, "%d.JPG", i);
        id[i] = put(c, identity, path, i < 3 ? 1 : 2, (uint32_t)i);
        propose(c, id[i], proposals[i]);
    }
    ck_assert(catalogue_set_state(c, id[3], "unreadable", "cut short", &err));
    ck_assert(catalogue_decide(c, &id[2], 1, CATALOGUE_KEEP, "ann", &err));
    ck_assert(catalogue_count(c, &n, &err));
    ck_assert(n.frames == 5 && n.kept == 2 && n.rejected == 1 && n.none == 2 && n.unreadable == 1);
    ck_assert(n.decided == 1 && n.missing == 0);
    ck_assert(catalogue_set_missing(c, id[1], true, &err));
    ck_assert(catalogue_count(c, &n, &err));
    ck_assert(n.frames == 4 && n.rejected == 0 && n.missing == 1);

    const struct catalogue_filter keepers = {.outcome = "keep"}, burst = {.burst = 1},
                                  every = {.burst = 1, .with_missing = true};
    ck_assert(catalogue_each_row(c, &keepers, see_row, &s, &err));
    ck_assert_int_eq(s.n, 2);
    s.n = 0;
    ck_assert(catalogue_each_row(c, &burst, see_row, &s, &err));
    ck_assert_int_eq(s.n, 2);
    ck_assert_str_eq(s.path, "2.JPG");
    s.n = 0;
    ck_assert(catalogue_each_row(c, &every, see_row, &s, &err));
    ck_assert_int_eq(s.n, 3);
}
END_TEST

static bool note_copy(void *context, const struct catalogue_copy *copy, struct err *ignored)
{
    struct order *o = context;
    char digest[HASH_TEXT_SIZE];
    (void)ignored;
    (void)snprintf(o->text, sizeof o->text, "%s %s %s %llu %lld %s %s", copy->path, copy->card_path,
                   copy->card, (unsigned long long)copy->size, (long long)copy->mtime_ns,
                   hash_text(&copy->digest, digest), copy->second);
    return true;
}

START_TEST(copies_come_back)
{
    struct order o = {""};
    struct catalogue_copy copy = {.path = "DCIM/a\xff.JPG",
                                  .card_path = "DCIM/a.JPG",
                                  .card = "card 1",
                                  .size = 1ull << 40,
                                  .mtime_ns = -1,
                                  .digest = {{0xab, [15] = 0xcd}},
                                  .second = ""};
    ck_assert(catalogue_put_copy(c, &copy, &err));
    copy.second = "disk-2";
    ck_assert(catalogue_put_copy(c, &copy, &err));
    ck_assert(catalogue_each_copy(c, note_copy, &o, &err));
    ck_assert_str_eq(o.text, "DCIM/a\xff.JPG DCIM/a.JPG card 1 1099511627776 -1 "
                             "ab0000000000000000000000000000cd disk-2");
}
END_TEST

START_TEST(people_can_read_the_views)
{
    static const char *const views[] = {"frames", "files", "bursts", "subjects", "decisions", "copies"};
    char text[256], query[128];
    int64_t id = put(c, "A1 aa", "DCIM/a b.JPG", 1, 0);
    const struct catalogue_burst burst = {
        .number = 1, .body = "A1", .has_time = true, .start_ns = 86400000000000, .n_frames = 1};
    const struct catalogue_item item = {.frame = id, .pass = 1};
    const struct catalogue_copy copy = {
        .path = "a", .card_path = "a", .card = "", .digest = {{0}}, .second = ""};
    ck_assert(catalogue_put_bursts(c, &burst, 1, &err) && catalogue_put_items(c, 1, &item, 1, &err));
    ck_assert(catalogue_put_copy(c, &copy, &err));
    ck_assert(catalogue_decide(c, &id, 1, CATALOGUE_KEEP, "ann", &err));
    for (size_t i = 0; i < sizeof views / sizeof views[0]; i++) {
        (void)snprintf(query, sizeof query, "SELECT count(*) FROM %s", views[i]);
        ck_assert_str_eq(raw_value(&place, query, text), "1");
    }
    ck_assert_str_eq(raw_value(&place, "SELECT path || '|' || outcome || '|' || time FROM frames", text),
                     "DCIM/a b.JPG|keep|1970-01-01T00:00:00.000");
    ck_assert_str_eq(raw_value(&place, "SELECT start FROM bursts", text), "1970-01-02T00:00:00");
    ck_assert_str_eq(raw_value(&place, "SELECT fingerprint FROM files", text),
                     "01020300000000000000000000000000");
    ck_assert_str_eq(raw_value(&place, "SELECT who || decision FROM decisions", text), "annkeep");
    ck_assert_str_eq(raw_value(&place, "SELECT typeof(path) FROM files", text), "text");
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("catalogue");
    TCase *tc = tcase_create("rows");
    tcase_add_checked_fixture(tc, setup, teardown);
    tcase_add_test(tc, a_frame_comes_back_as_it_went_in);
    tcase_add_test(tc, items_and_choices_come_back);
    tcase_add_test(tc, items_come_in_order_of_position_and_pass);
    tcase_add_test(tc, parts_of_a_score_stay_what_they_are);
    tcase_add_test(tc, files_of_a_frame_are_exactly_those_given);
    tcase_add_test(tc, a_path_leads_to_its_frame);
    tcase_add_test(tc, moves_are_followed);
    tcase_add_test(tc, what_ranking_found_follows_its_burst);
    tcase_add_test(tc, a_transaction_holds_or_does_not);
    tcase_add_test(tc, counts_and_filters);
    tcase_add_test(tc, copies_come_back);
    tcase_add_test(tc, people_can_read_the_views);
    suite_add_tcase(suite, tc);
    return run_suite(suite);
}
