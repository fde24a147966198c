/* Lists, explanations and the contact sheet, from a catalogue that is built through its own calls. */
#include <cjson/cJSON.h>
#include <check.h>
#include <locale.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "../../src/report/sheet.h"
#include "chaffinch/report.h"

/* 2026-05-01 05:14:02 in seconds since 1970: `date -u -d '2026-05-01 05:14:02' +%s`, GNU coreutils 9.1. */
static const int64_t START_NS = INT64_C(1777612442) * 1000000000;

struct place {
    char path[64];
    struct root root;
    struct catalogue *c;
    int64_t id[16];
};

static void must(bool ok, const struct err *err)
{
    ck_assert_msg(ok, "%s", err->message);
}

static void place_make(struct place *p)
{
    struct err err = ERR_INIT;
    strcpy(p->path, "/tmp/chaffinch-rep-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(p->path));
    must(root_open(&p->root, files_system(), p->path, false, true, &err), &err);
    p->c = catalogue_open(&p->root, CATALOGUE_WRITE, &err);
    ck_assert_msg(p->c != NULL, "%s", err.message);
}

static void place_clean(struct place *p)
{
    char command[128];
    catalogue_close(p->c);
    root_close(&p->root);
    (void)snprintf(command, sizeof command, "rm -rf '%s'", p->path);
    ck_assert_int_eq(system(command), 0);
}

/* One frame of the story below. */
struct part {
    const char *path, *raw;
    int64_t burst;
    uint32_t position, pass, rank;
    double score, blur_px; /* score NaN = no subject */
    uint32_t flags;
    const char *proposal, *reason, *state;
};

static const struct part story[] = {
    {"DCIM/100EXMPL/one,two.JPG", NULL, 1, 0, 1, 1, 1.5, 0.625, 0, "keep", "sharpest", "full"},
    {"DCIM/100EXMPL/say \"hm\".JPG", NULL, 1, 1, 1, 2, 1.25, 0.75, 0, "reject", "near-twin", "full"},
    {"DCIM/100EXMPL/two\nlines.JPG", NULL, 1, 2, 1, 3, 1.0, 0.8, 0, "none", "sharp-set", "full"},
    {"DCIM/100EXMPL/\xff<b>.JPG", NULL, 1, 3, 1, 4, -0.5, 2.8, 0, "reject", "soft", "full"},
    {"DCIM/100EXMPL/DEMO0005.JPG", "DCIM/100EXMPL/DEMO0005.DNG", 1, 4, 1, 0, 0.25, NAN,
     RANK_F_CUT | RANK_F_NO_BLUR, "reject", "cut", "full"},
    {"DCIM/100EXMPL/DEMO0006.JPG", NULL, 1, 5, 0, 0, NAN, NAN, 0, "reject", "no-subject", "full"},
    {"DCIM/100EXMPL/DEMO0007.DNG", NULL, 2, 0, 1, 0, 0.5, 1.4, 0, "none", "too-few", "half"},
    {"DCIM/100EXMPL/DEMO0008.JPG", NULL, 3, 0, 0, 0, NAN, NAN, 0, "none", "unreadable", "unreadable"},
    {"DCIM/100EXMPL/DEMO0009.JPG", NULL, 3, 1, 0, 0, NAN, NAN, 0, "", "", "full"},
};
enum { N_STORY = sizeof story / sizeof story[0] };

static int64_t put_frame(struct place *p, const struct part *part, int number)
{
    struct err err = ERR_INIT;
    char identity[64];
    int64_t id = 0;
    bool timed = part->burst != 3;
    (void)snprintf(identity, sizeof identity, "SN-471108 %032d", number);
    const struct catalogue_frame frame = {.identity = identity,
                                          .body = "SN-471108",
                                          .folder = "DCIM/100EXMPL",
                                          .name = "DEMO",
                                          .prefix = "DEMO",
                                          .number = number,
                                          .folder_number = 100,
                                          .maker = "Example",
                                          .model = "Demo-1",
                                          .serial = "SN-471108",
                                          .has_time = timed,
                                          .time_ns = START_NS + number * INT64_C(40000000),
                                          .subsec_digits = part->burst == 1 ? 3 : 0,
                                          .has_offset = part->burst == 1,
                                          .offset_min = 120,
                                          .exposure_s = 0.001,
                                          .orientation = 6,
                                          .width_px = 2400,
                                          .height_px = 1800};
    const struct catalogue_file files[] = {
        {.path = part->path, .kind = strstr(part->path, ".DNG") ? "raw" : "jpeg", .size = 1000},
        {.path = part->raw, .kind = "raw", .size = 2000}};
    must(catalogue_put_frame(p->c, &frame, &id, &err) &&
             catalogue_put_files(p->c, id, files, part->raw != NULL ? 2 : 1, &err) &&
             catalogue_set_place(p->c, id, part->burst, part->position, frame.time_ns, &err),
         &err);
    if (strcmp(part->state, "unreadable") == 0)
        must(catalogue_set_state(p->c, id, "unreadable", "the picture is cut short: 812 of 1800 rows", &err),
             &err);
    else
        must(catalogue_set_measured(p->c, id, part->state, strcmp(part->state, "half") == 0 ? 1200 : 2400,
                                    strcmp(part->state, "half") == 0 ? 900 : 1800, 0, 0, 0, &err),
             &err);
    return id;
}

static struct catalogue_item item_of(const struct part *part, int64_t frame)
{
    return (struct catalogue_item){.frame = frame,
                                   .pass = part->pass,
                                   .x_px = 100 + 10 * part->position,
                                   .y_px = 200,
                                   .w_px = 300,
                                   .h_px = 240,
                                   .flags = part->flags,
                                   .score = part->score,
                                   .blur_px = part->blur_px,
                                   .blur_low_px = part->blur_px - 0.125,
                                   .blur_high_px = part->blur_px + 0.125,
                                   .p_sharp = 0.75,
                                   .laplacian_variance = 120.5,
                                   .tenengrad = 4000.25,
                                   .area_cells = 50};
}

static void put_burst_items(struct place *p, const struct part *parts, size_t n, const int64_t *id,
                            int64_t burst)
{
    struct catalogue_item items[64];
    struct err err = ERR_INIT;
    size_t found = 0;
    for (size_t i = 0; i < n && found < 63; i++)
        if (parts[i].burst == burst && parts[i].pass > 0)
            items[found++] = item_of(&parts[i], id[i]);
    if (burst == 1) { /* a second bird in the first frame */
        items[found] = items[0];
        items[found].pass = 2;
        items[found++].x_px = 1500;
    }
    must(catalogue_put_items(p->c, burst, items, found, &err), &err);
}

static void tell_story(struct place *p)
{
    const struct catalogue_burst bursts[] = {
        {.number = 1, .body = "SN-471108", .start_ns = START_NS, .has_time = true, .n_frames = 6},
        {.number = 2, .body = "SN-471108", .start_ns = START_NS, .has_time = true, .n_frames = 1},
        {.number = 3, .body = "SN-471108", .n_frames = 2}};
    const struct catalogue_burst ranked = {
        .number = 1, .setup = 1, .n_passes = 2, .mode = "moving", .stamp = "s"};
    struct err err = ERR_INIT;
    must(catalogue_begin(p->c, &err) && catalogue_put_bursts(p->c, bursts, 3, &err), &err);
    for (int i = 0; i < N_STORY; i++)
        p->id[i] = put_frame(p, &story[i], i);
    for (int64_t burst = 1; burst <= 3; burst++)
        put_burst_items(p, story, N_STORY, p->id, burst);
    for (int i = 0; i < N_STORY; i++) {
        const struct catalogue_choice choice = {p->id[i], story[i].pass, story[i].rank, story[i].proposal,
                                                story[i].reason};
        if (story[i].proposal[0] != '\0')
            must(catalogue_put_choice(p->c, &choice, &err), &err);
    }
    must(catalogue_set_burst_ranked(p->c, &ranked, &err) && catalogue_commit(p->c, &err), &err);
    must(catalogue_decide(p->c, &p->id[3], 1, CATALOGUE_REJECT, "anna", &err) &&
             catalogue_decide(p->c, &p->id[3], 1, CATALOGUE_KEEP, "bert", &err),
         &err);
}

static bool collect(void *context, const char *bytes, size_t size, struct err *err)
{
    (void)err;
    str_append_bytes(context, bytes, size);
    return true;
}

static void list(struct place *p, const struct report_list_options *options, struct str *out)
{
    struct err err = ERR_INIT;
    const struct report_sink sink = {out, collect};
    str_clear(out);
    must(report_list(p->c, options, &sink, &err), &err);
    str_append(out, "");
}

/* Header and columns are the contract; RFC 4180 quoting, RFC 3339 times. */
static const char frames_csv[] =
    "burst,pass,frame,path,time,score,blur_px,rank,proposal,decision,outcome,reason,x,y,w,h\n"
    "1,1,1,\"DCIM/100EXMPL/one,two.JPG\",2026-05-01T05:14:02.000+02:00,1.500000,0.625,1,keep,,keep,sharpest,"
    "100,200,300,240\n"
    "1,1,2,\"DCIM/100EXMPL/say "
    "\"\"hm\"\".JPG\",2026-05-01T05:14:02.040+02:00,1.250000,0.750,2,reject,,reject,"
    "near-twin,110,200,300,240\n"
    "1,1,3,\"DCIM/100EXMPL/two\nlines.JPG\",2026-05-01T05:14:02.080+02:00,1.000000,0.800,3,none,,none,"
    "sharp-set,120,200,300,240\n"
    "1,1,4,DCIM/100EXMPL/\xff<b>.JPG,2026-05-01T05:14:02.120+02:00,-0.500000,2.800,4,reject,keep,keep,soft,"
    "130,200,300,240\n"
    "1,1,5,DCIM/100EXMPL/DEMO0005.JPG,2026-05-01T05:14:02.160+02:00,0.250000,,,reject,,reject,cut,"
    "140,200,300,240\n"
    "1,,6,DCIM/100EXMPL/DEMO0006.JPG,2026-05-01T05:14:02.200+02:00,,,,reject,,reject,no-subject,,,,\n"
    "2,1,1,DCIM/100EXMPL/DEMO0007.DNG,2026-05-01T05:14:02,0.500000,1.400,,none,,none,too-few,"
    "100,200,300,240\n"
    "3,,1,DCIM/100EXMPL/DEMO0008.JPG,,,,,none,,none,unreadable,,,,\n"
    "3,,2,DCIM/100EXMPL/DEMO0009.JPG,,,,,none,,none,not-scored,,,,\n";

static void explain(struct place *p, int64_t frame, bool json, struct str *out)
{
    struct err err = ERR_INIT;
    const struct report_explain_options options = {.session = "pond", .json = json};
    str_clear(out);
    must(report_explain(p->c, frame, &options, out, &err), &err);
}

static void says(const struct str *text, const char *words)
{
    ck_assert_msg(strstr(text->bytes, words) != NULL, "'%s' is not said in:\n%.2000s", words, text->bytes);
}

/* Makes a locale with a decimal comma in the scratch folder and switches to it. */
static bool use_comma_locale(const struct place *p)
{
    char command[300];
    (void)snprintf(command, sizeof command, "localedef -i de_DE -f UTF-8 '%s/de_DE.UTF-8' >/dev/null 2>&1",
                   p->path);
    return system(command) == 0 && setenv("LOCPATH", p->path, 1) == 0 &&
           setlocale(LC_ALL, "de_DE.UTF-8") != NULL;
}

START_TEST(csv_of_frames_byte_for_byte)
{
    struct place p;
    struct str out = STR_INIT;
    const struct report_list_options csv = {.frames = true, .format = REPORT_CSV};
    place_make(&p);
    tell_story(&p);
    list(&p, &csv, &out);
    ck_assert_str_eq(out.bytes, frames_csv);
    str_release(&out);
    place_clean(&p);
}
END_TEST

START_TEST(numbers_do_not_follow_the_locale)
{
    struct place p;
    struct str out = STR_INIT;
    const struct report_list_options csv = {.frames = true, .format = REPORT_CSV};
    const struct report_list_options jsonl = {.frames = true, .format = REPORT_JSONL};
    char comma[8];
    place_make(&p);
    tell_story(&p);
    if (use_comma_locale(&p)) {
        (void)snprintf(comma, sizeof comma, "%.1f", 0.5);
        ck_assert_str_eq(comma, "0,5");
        list(&p, &csv, &out);
        ck_assert_str_eq(out.bytes, frames_csv);
        list(&p, &jsonl, &out);
        says(&out, "\"blur_px\":0.625,");
        explain(&p, p.id[1], false, &out);
        says(&out, "Its blur is 0.75 px");
        (void)setlocale(LC_ALL, "C");
    } else
        (void)puts("skipped: localedef cannot make a locale with a decimal comma");
    str_release(&out);
    place_clean(&p);
}
END_TEST

START_TEST(csv_of_bursts_byte_for_byte)
{
    struct place p;
    struct str out = STR_INIT;
    struct report_list_options csv = {.format = REPORT_CSV};
    place_make(&p);
    tell_story(&p);
    list(&p, &csv, &out);
    ck_assert_str_eq(out.bytes,
                     "burst,start,seconds,frames,passes,keep,reject,none,best_blur_px,good_to_px,setup,mode,"
                     "perch,nothing_sharp,accepted\n"
                     "1,2026-05-01T05:14:02.000+02:00,0.200,6,2,2,3,1,0.625,2400,1,moving,no,no,no\n"
                     "2,2026-05-01T05:14:02,0.000,1,0,0,0,1,,,,,no,no,no\n"
                     "3,,,2,0,0,0,2,,,,,no,no,no\n");
    csv.outcome = "keep";
    list(&p, &csv, &out);
    ck_assert_ptr_null(strstr(out.bytes, "\n2,"));
    csv = (struct report_list_options){.format = REPORT_CSV, .burst = 3};
    list(&p, &csv, &out);
    ck_assert_ptr_null(strstr(out.bytes, "\n1,"));
    ck_assert_ptr_nonnull(strstr(out.bytes, "\n3,"));
    str_release(&out);
    place_clean(&p);
}
END_TEST

START_TEST(print0_gives_paths_only)
{
    static const char expect[] = "DCIM/100EXMPL/one,two.JPG\0DCIM/100EXMPL/\xff<b>.JPG";
    struct place p;
    struct str out = STR_INIT;
    const struct report_list_options keep = {.frames = true, .print0 = true, .outcome = "keep"};
    place_make(&p);
    tell_story(&p);
    list(&p, &keep, &out);
    ck_assert_uint_eq(out.size, sizeof expect);
    ck_assert_mem_eq(out.bytes, expect, sizeof expect);
    str_release(&out);
    place_clean(&p);
}
END_TEST

static double number(const cJSON *object, const char *key)
{
    const cJSON *value = cJSON_GetObjectItemCaseSensitive(object, key);
    ck_assert_msg(cJSON_IsNumber(value), "%s is no number", key);
    return value->valuedouble;
}

static const char *string(const cJSON *object, const char *key)
{
    const char *value = cJSON_GetStringValue(cJSON_GetObjectItemCaseSensitive(object, key));
    ck_assert_msg(value != NULL, "%s is no text", key);
    return value;
}

static bool is_null(const cJSON *object, const char *key)
{
    return cJSON_IsNull(cJSON_GetObjectItemCaseSensitive(object, key));
}

static size_t length(const cJSON *object, const char *key)
{
    return (size_t)cJSON_GetArraySize(cJSON_GetObjectItemCaseSensitive(object, key));
}

static size_t parse_lines(struct str *text, cJSON **line, size_t room)
{
    size_t n = 0;
    char *rest = NULL;
    for (char *one = strtok_r(text->bytes, "\n", &rest); one != NULL; one = strtok_r(NULL, "\n", &rest)) {
        ck_assert_uint_lt(n, room);
        line[n] = cJSON_Parse(one);
        ck_assert_msg(line[n] != NULL, "no JSON: %s", one);
        ck_assert(number(line[n], "format") == 1);
        n++;
    }
    return n;
}

START_TEST(json_lines_say_more)
{
    struct place p;
    struct str out = STR_INIT;
    cJSON *line[N_STORY];
    const struct report_list_options all = {.frames = true, .format = REPORT_JSONL};
    place_make(&p);
    tell_story(&p);
    list(&p, &all, &out);
    ck_assert_uint_eq(parse_lines(&out, line, N_STORY), N_STORY);
    ck_assert_str_eq(string(line[0], "path"), "DCIM/100EXMPL/one,two.JPG");
    ck_assert(number(line[0], "blur_px") == 0.625 && number(line[0], "blur_low_px") == 0.5);
    ck_assert(number(line[0], "blur_high_px") == 0.75 && number(line[0], "good_to_px") == 2400);
    ck_assert_uint_eq(length(line[0], "subjects"), 2);
    ck_assert_str_eq(string(line[0], "sentence"), rank_reason_sentence(RANK_SHARPEST));
    ck_assert(is_null(line[0], "decision"));
    ck_assert_str_eq(string(line[2], "path"), "DCIM/100EXMPL/two\nlines.JPG");
    ck_assert(is_null(line[3], "path"));
    /* printf 'DCIM/100EXMPL/\377<b>.JPG' | base64, GNU coreutils 9.1 */
    ck_assert_str_eq(string(line[3], "path_base64"), "RENJTS8xMDBFWE1QTC//PGI+LkpQRw==");
    ck_assert_str_eq(string(line[3], "decision"), "keep");
    ck_assert_str_eq(string(line[3], "outcome"), "keep");
    ck_assert_uint_eq(length(line[4], "files"), 2);
    ck_assert(is_null(line[4], "blur_px") && is_null(line[4], "rank") && number(line[4], "score") == 0.25);
    ck_assert(is_null(line[5], "x") && length(line[5], "subjects") == 0);
    ck_assert_str_eq(string(line[6], "judged_on"), "half");
    ck_assert(number(line[6], "judged_width_px") == 1200);
    ck_assert_str_eq(string(line[7], "cause"), "the picture is cut short: 812 of 1800 rows");
    ck_assert(is_null(line[7], "time"));
    for (size_t i = 0; i < N_STORY; i++)
        cJSON_Delete(line[i]);
    str_release(&out);
    place_clean(&p);
}
END_TEST

START_TEST(the_table_fits_a_terminal)
{
    struct place p;
    struct str out = STR_INIT;
    const struct report_list_options bursts = {.format = REPORT_TABLE};
    place_make(&p);
    tell_story(&p);
    list(&p, &bursts, &out);
    ck_assert_ptr_nonnull(strstr(out.bytes, "2026-05-01\n"));
    ck_assert_ptr_nonnull(strstr(out.bytes, "05:14:02.000"));
    ck_assert_ptr_nonnull(strstr(out.bytes, "2400 px"));
    ck_assert_ptr_nonnull(
        strstr(out.bytes, "3 bursts, 2 passes, 9 frames: keep 2, reject 3, for your eyes 4\n"));
    for (const char *at = out.bytes; *at != '\0'; at += strcspn(at, "\n") + 1)
        ck_assert_uint_le(strcspn(at, "\n"), 100);
    str_release(&out);
    place_clean(&p);
}
END_TEST

START_TEST(explanations_have_numbers)
{
    struct place p;
    struct str out = STR_INIT;
    place_make(&p);
    tell_story(&p);
    explain(&p, p.id[1], false, &out);
    says(&out, "frame 2 of 6 in burst 1, taken 2026-05-01T05:14:02.040+02:00, 0.040 s into it.");
    says(&out, "Outcome: reject. 'chaffinch-apply pond --move' puts it into the folder of rejects.");
    says(&out, "The kept frame nearest in time is 'DCIM/100EXMPL/one,two.JPG', 0.040 s earlier.");
    says(&out, "its rank is 2 of 4. 2 of the pass are kept.");
    says(&out,
         "Its blur is 0.75 px (between 0.63 and 0.88 px, one standard error either way): good to 2240 px "
         "on the long edge, of 2400.");
    says(&out, "with score 1.500 and blur 0.63 px; this one has 0.13 px more.");
    says(&out, "variance of Laplacian is 120.5 and the Tenengrad 4000.3");
    explain(&p, p.id[3], false, &out);
    says(&out, "Decision: keep, by a person; it always wins over the proposal.");
    says(&out, "reject by 'anna'");
    says(&out, "keep by 'bert'");
    explain(&p, p.id[4], false, &out);
    says(&out, "The edge of the frame cuts it.");
    says(&out, "Its blur is not known");
    says(&out, "'DCIM/100EXMPL/DEMO0005.DNG'  raw, 2000 bytes");
    explain(&p, p.id[6], false, &out);
    says(&out, "This one has 1, and at least 5 are needed.");
    says(&out, "It was judged on 1200 x 900 px (the raw decoded at half size); the frame has 2400 x 1800 px");
    explain(&p, p.id[7], false, &out);
    says(&out, "It cannot be read: the picture is cut short: 812 of 1800 rows.");
    says(&out, "without a time");
    str_release(&out);
    place_clean(&p);
}
END_TEST

static bool take_first(void *context, const struct catalogue_file *file, struct err *err)
{
    int64_t *first = context;
    (void)err;
    if (*first == 0)
        *first = file->id;
    return true;
}

static int64_t first_file(struct place *p, int64_t frame)
{
    struct err err = ERR_INIT;
    int64_t first = 0;
    must(catalogue_each_file(p->c, frame, take_first, &first, &err), &err);
    return first;
}

/* A command is named only where it would still move something. */
START_TEST(an_outcome_that_was_applied_is_not_asked_for_again)
{
    struct place p;
    struct str out = STR_INIT;
    struct err err = ERR_INIT;
    place_make(&p);
    tell_story(&p);
    int64_t rejected = first_file(&p, p.id[1]), kept = first_file(&p, p.id[3]);
    must(catalogue_set_file_path(p.c, rejected, "rejects/a.JPG", "a.JPG", &err), &err);
    must(catalogue_set_file_path(p.c, kept, "rejects/b.JPG", "b.JPG", &err), &err);
    explain(&p, p.id[1], false, &out);
    says(&out, "Outcome: reject. It was moved out already.\n");
    explain(&p, p.id[3], false, &out);
    says(&out, "Outcome: keep. 'chaffinch-apply pond --move' brings it back.\n");
    must(catalogue_forget_file(p.c, rejected, &err), &err);
    explain(&p, p.id[1], false, &out);
    says(&out, "taken 2026-05-01T05:14:02.040+02:00.\nIts files are gone");
    says(&out, "Outcome: reject.\n");
    str_release(&out);
    place_clean(&p);
}
END_TEST

START_TEST(every_reason_is_explained)
{
    struct place p;
    struct str out = STR_INIT;
    struct err err = ERR_INIT;
    place_make(&p);
    tell_story(&p);
    for (int r = 1; r < RANK_REASONS; r++) {
        enum rank_reason reason = (enum rank_reason)r;
        const struct catalogue_choice choice = {p.id[1], 1, 2, "none", rank_reason_token(reason)};
        must(catalogue_put_choice(p.c, &choice, &err), &err);
        explain(&p, p.id[1], false, &out);
        says(&out, rank_reason_token(reason));
        says(&out, rank_reason_sentence(reason));
    }
    ck_assert(!report_explain(p.c, 4711, &(struct report_explain_options){.session = "pond"}, &out, &err));
    ck_assert_int_eq(err_exit_status(&err), 2);
    str_release(&out);
    place_clean(&p);
}
END_TEST

START_TEST(an_explanation_as_json)
{
    struct place p;
    struct str out = STR_INIT;
    cJSON *line[1];
    place_make(&p);
    tell_story(&p);
    explain(&p, p.id[3], true, &out);
    ck_assert_uint_eq(parse_lines(&out, line, 1), 1);
    ck_assert_uint_eq(length(line[0], "history"), 2);
    ck_assert_str_eq(
        string(cJSON_GetArrayItem(cJSON_GetObjectItemCaseSensitive(line[0], "history"), 1), "who"), "bert");
    ck_assert_uint_gt(length(line[0], "sentences"), 5);
    ck_assert(number(line[0], "pass_ranked") == 4);
    cJSON_Delete(line[0]);
    str_release(&out);
    place_clean(&p);
}
END_TEST

/* ---- the sheet ---------------------------------------------------------------- */

struct stub {
    size_t size;  /* of each picture */
    size_t asked; /* how many */
};

static bool stub_crops(void *context, const struct session_crop *crops, size_t n, session_crop_done *done,
                       void *done_context, struct err *err)
{
    struct stub *stub = context;
    uint8_t *bytes = calloc(1, stub->size);
    ck_assert_ptr_nonnull(bytes);
    stub->asked += n;
    for (size_t i = n; i-- > 0;) { /* in any order */
        ck_assert_uint_le(crops[i].box[0] + crops[i].box[2], 2400);
        ck_assert_uint_le(crops[i].box[1] + crops[i].box[3], 1800);
        ck_assert(i % 50 == 49
                      ? done(done_context, i, NULL, 0, 0, 0, "no", err)
                      : done(done_context, i, bytes, stub->size, crops[i].box[3], crops[i].box[2], "", err));
    }
    free(bytes);
    return true;
}

static void sheet(struct place *p, struct stub *stub, struct str *html)
{
    struct err err = ERR_INIT;
    const struct report_sheet_options options = {.name = "pond & mill", .crops = {stub, stub_crops}};
    must(report_sheet(p->c, &options, html, &err), &err);
}

static bool is_void(const char *name, size_t size)
{
    return (size == 3 && memcmp(name, "img", 3) == 0) || (size == 2 && memcmp(name, "br", 2) == 0) ||
           (size == 4 && memcmp(name, "meta", 4) == 0);
}

/* Every tag is closed by its own kind, in order (HTML Living Standard, 13.1.2: void elements have no end). */
static void check_nesting(const char *html)
{
    const char *open[64];
    size_t size[64], depth = 0;
    for (const char *at = strchr(html, '<'); at != NULL; at = strchr(at + 1, '<')) {
        bool end = at[1] == '/';
        const char *name = at + 1 + end, *close = strchr(at, '>');
        size_t n = strspn(name, "abcdefghijklmnopqrstuvwxyz0123456789");
        if (at[1] == '!')
            continue;
        ck_assert_ptr_nonnull(close);
        ck_assert_msg(n > 0, "stray '<' at: %.40s", at);
        if (end) {
            ck_assert_msg(depth > 0 && size[depth - 1] == n && memcmp(open[depth - 1], name, n) == 0,
                          "wrong end: %.40s", at);
            depth--;
        } else if (close[-1] != '/' && !is_void(name, n)) {
            ck_assert_uint_lt(depth, 64);
            open[depth] = name;
            size[depth++] = n;
        }
    }
    ck_assert_uint_eq(depth, 0);
}

static void lacks(const struct str *html, const char *words)
{
    ck_assert_msg(strstr(html->bytes, words) == NULL, "'%s' is in the sheet", words);
}

START_TEST(the_sheet_is_whole_and_tells_no_secrets)
{
    struct place p;
    struct str html = STR_INIT;
    struct stub stub = {.size = 300};
    place_make(&p);
    tell_story(&p);
    sheet(&p, &stub, &html);
    check_nesting(html.bytes);
    says(&html, "pond &amp; mill");
    says(&html, "9 frames in 3 bursts, 2 passes. <b>2 kept</b>, 3 rejected");
    says(&html, "1 May 2026, 05:14");
    says(&html, "&lt;b&gt;.JPG");
    says(&html, "The sharpest complete frame of its pass.");
    says(&html, "Kept by a person&#39;s decision.");
    says(&html, "blur 0.63 px (0.50\u20130.75), sharp at its full 2400 px");
    says(&html, "1:1, 336 \u00d7 420 of 1800 \u00d7 2400 px"); /* 300 x 240 px and two fifths more, turned */
    says(&html, "the picture is cut short: 812 of 1800 rows");
    says(&html, "For your eyes");
    says(&html, "data:image/jpeg;base64,");
    lacks(&html, p.path);
    lacks(&html, "SN-471108");
    lacks(&html, "anna");
    lacks(&html, "bert");
    lacks(&html, "DCIM/");
    lacks(&html, "http:");
    lacks(&html, "https:");
    lacks(&html, "<script");
    ck_assert_uint_eq(stub.asked, 9 - 1); /* all but the unreadable one */
    str_release(&html);
    place_clean(&p);
}
END_TEST

START_TEST(an_empty_session_makes_no_sheet)
{
    struct place p;
    struct str html = STR_INIT;
    struct stub stub = {.size = 3};
    struct err err = ERR_INIT;
    const struct report_sheet_options options = {.name = "pond", .crops = {&stub, stub_crops}};
    place_make(&p);
    ck_assert(!report_sheet(p.c, &options, &html, &err));
    ck_assert_int_eq(err_exit_status(&err), 2);
    str_release(&html);
    place_clean(&p);
}
END_TEST

/* 1,000 bursts of 10 frames whose pictures are as large as pictures get. */
static void put_long_session(struct place *p)
{
    enum { BURSTS = 1000, FRAMES = 10 };
    struct err err = ERR_INIT;
    static struct catalogue_burst bursts[BURSTS];
    char path[64];
    must(catalogue_begin(p->c, &err), &err);
    for (int b = 0; b < BURSTS; b++)
        bursts[b] = (struct catalogue_burst){.number = b + 1, .body = "A", .n_frames = FRAMES};
    must(catalogue_put_bursts(p->c, bursts, BURSTS, &err), &err);
    for (int b = 0; b < BURSTS; b++) {
        struct part parts[FRAMES];
        int64_t id[FRAMES];
        for (int f = 0; f < FRAMES; f++) {
            (void)snprintf(path, sizeof path, "DCIM/100EXMPL/B%dF%d.JPG", b, f);
            parts[f] = (struct part){path,
                                     NULL,
                                     b + 1,
                                     (uint32_t)f,
                                     1,
                                     (uint32_t)f + 1,
                                     -f,
                                     0.6 + 0.2 * f,
                                     0,
                                     f < 3 ? "keep" : "reject",
                                     f < 3 ? "sharpest" : "soft",
                                     "full"};
            id[f] = put_frame(p, &parts[f], b * FRAMES + f);
            const struct catalogue_choice choice = {id[f], 1, (uint32_t)f + 1, parts[f].proposal,
                                                    parts[f].reason};
            must(catalogue_put_choice(p->c, &choice, &err), &err);
        }
        if (b > 0)
            put_burst_items(p, parts, FRAMES, id, b + 1);
        bursts[b].n_passes = 1;
        bursts[b].mode = "moving";
        bursts[b].stamp = "s";
        must(catalogue_set_burst_ranked(p->c, &bursts[b], &err), &err);
    }
    must(catalogue_commit(p->c, &err), &err);
}

START_TEST(ten_thousand_frames_stay_below_30_mb)
{
    struct place p;
    struct str html = STR_INIT;
    struct stub stub = {.size = 120000};
    place_make(&p);
    put_long_session(&p);
    sheet(&p, &stub, &html);
    ck_assert_uint_lt(html.size, 30000000);
    says(&html, "picture left out to keep this page small");
    says(&html,
         "and 6 more: <code>chaffinch list &#39;pond &amp; mill&#39; --frames --burst 7 --outcome reject");
    ck_assert_uint_le(stub.asked, 1000 + 600 + 600 + 60); /* large, small, small of kept, for your eyes */
    check_nesting(html.bytes);
    str_release(&html);
    place_clean(&p);
}
END_TEST

/* Where the 0th row and the 0th column of the stored picture stand in the upright one: CIPA DC-008, table of
   tag 0x0112. 2 = top right, 3 = bottom right, 4 = bottom left, 5 = left top, 6 = right top, 7 = right
   bottom, 8 = left bottom. */
START_TEST(boxes_turn_upright)
{
    const struct sheet_box stored = {10, 5, 20, 8};
    static const struct sheet_box expect[] = {{10, 5, 20, 8},  {70, 5, 20, 8}, {70, 47, 20, 8},
                                              {10, 47, 20, 8}, {5, 10, 8, 20}, {47, 10, 8, 20},
                                              {47, 70, 8, 20}, {5, 70, 8, 20}};
    for (int o = 1; o <= 8; o++) {
        struct sheet_box box = sheet_upright(stored, 100, 60, o);
        ck_assert_msg(memcmp(&box, &expect[o - 1], sizeof box) == 0, "orientation %d: %u %u %u %u", o, box.x,
                      box.y, box.w, box.h);
    }
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("report");
    TCase *tc = tcase_create("report");
    suite_add_tcase(suite, tc);
    tcase_set_timeout(tc, 60);
    tcase_add_test(tc, csv_of_frames_byte_for_byte);
    tcase_add_test(tc, numbers_do_not_follow_the_locale);
    tcase_add_test(tc, csv_of_bursts_byte_for_byte);
    tcase_add_test(tc, print0_gives_paths_only);
    tcase_add_test(tc, json_lines_say_more);
    tcase_add_test(tc, the_table_fits_a_terminal);
    tcase_add_test(tc, explanations_have_numbers);
    tcase_add_test(tc, an_outcome_that_was_applied_is_not_asked_for_again);
    tcase_add_test(tc, every_reason_is_explained);
    tcase_add_test(tc, an_explanation_as_json);
    tcase_add_test(tc, the_sheet_is_whole_and_tells_no_secrets);
    tcase_add_test(tc, an_empty_session_makes_no_sheet);
    tcase_add_test(tc, ten_thousand_frames_stay_below_30_mb);
    tcase_add_test(tc, boxes_turn_upright);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
