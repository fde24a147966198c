/* The desk of review without a socket: who may ask, what is there, what is changed, and nonsense. */
#include <cjson/cJSON.h>
#include <fcntl.h>
#include <math.h>
#include <sys/stat.h>

#include "catalogue_place.h"
#include "../fuzz/requests.h"
#include "../../src/review/guard.h"
#include "../../src/review/pictures.h"

static struct place place;
static struct desk desk;
static struct err err;
static int64_t a, b, d; /* frames: two of burst 1, one of burst 2 */

static void add_item(struct catalogue *c, int64_t burst, const struct catalogue_item *items, size_t n)
{
    ck_assert_msg(catalogue_put_items(c, burst, items, n, &err), "%s", err.message);
}

static void choose(struct catalogue *c, int64_t frame, uint32_t pass, uint32_t rank, const char *proposal,
                   const char *reason)
{
    const struct catalogue_choice choice = {
        .frame = frame, .pass = pass, .rank = rank, .proposal = proposal, .reason = reason};
    ck_assert_msg(catalogue_put_choice(c, &choice, &err), "%s", err.message);
}

/* Burst 1 with two passes, of which the second stands behind the first in every frame; burst 2 without. */
static void fill(struct catalogue *c)
{
    const struct catalogue_burst bursts[] = {
        {.number = 1, .body = "A1", .n_frames = 2, .n_passes = 2, .mode = "moving", .setup = 1, .stamp = "1"},
        {.number = 2, .body = "A1", .n_frames = 1, .mode = "unknown", .setup = 2, .stamp = "2"}};
    a = put(c, "A1 aa", "DCIM/a.JPG", 1, 0);
    b = put(c, "A1 bb", "DCIM/b \xff\"<.JPG", 1, 1);
    d = put(c, "A1 dd", "DCIM/d.JPG", 2, 0);
    ck_assert(catalogue_put_bursts(c, bursts, 2, &err));
    for (int i = 0; i < 2; i++)
        ck_assert(catalogue_set_burst_ranked(c, &bursts[i], &err));
    const struct catalogue_item items[] = {
        {.frame = a, .pass = 1, .x_px = 10, .y_px = 20, .w_px = 30, .h_px = 40, .score = 2, .blur_px = .8},
        {.frame = a, .pass = 2, .x_px = 50, .y_px = 20, .w_px = 30, .h_px = 40, .score = 1, .blur_px = 1.5},
        {.frame = b, .pass = 1, .x_px = 40, .y_px = 20, .w_px = 30, .h_px = 40, .score = 1, .blur_px = NAN}};
    add_item(c, 1, items, 3);
    choose(c, a, 1, 1, "keep", "sharpest");
    choose(c, b, 1, 2, "reject", "soft");
    choose(c, d, 0, 0, "none", "too-few");
}

static void setup(void)
{
    err = (struct err)ERR_INIT;
    place_make(&place);
    struct catalogue *c = must_open(&place, CATALOGUE_WRITE);
    fill(c);
    catalogue_close(c);
    ck_assert_msg(desk_open(&desk, files_system(), place.path, NULL, NULL, &err), "%s", err.message);
    desk_set_port(&desk, 4711);
}

static void teardown(void)
{
    desk_close(&desk);
    place_clean(&place);
}

/* ---- asking --------------------------------------------------------------- */

static char last[1 << 16]; /* the last answer, as text */

static unsigned ask(const char *text)
{
    struct parsed_request p;
    struct answer answer;
    ck_assert(parse_request(&p, &desk, (const uint8_t *)text, strlen(text)));
    desk_answer(&desk, &p.request, false, &answer);
    const void *bytes = answer.fixed != NULL ? answer.fixed : answer.body.bytes;
    size_t size = answer.fixed != NULL ? answer.fixed_size : answer.body.size;
    size = size < sizeof last - 1 ? size : sizeof last - 1;
    if (size > 0)
        memcpy(last, bytes, size);
    last[size] = '\0';
    unsigned status = answer.state == ANSWER_READY ? answer.status : 0;
    answer_release(&answer);
    free(p.text);
    return status;
}

static unsigned get(const char *path)
{
    char text[1024];
    (void)snprintf(text, sizeof text, "GET\n/TOKEN/%s\nHost: HOST\n\n", path);
    return ask(text);
}

static unsigned post(const char *path, const char *body)
{
    char text[4096];
    (void)snprintf(text, sizeof text,
                   "POST\n/TOKEN/%s\nHost: HOST\nOrigin: http://HOST\nX-Chaffinch: 1\n"
                   "Content-Type: application/json\n\n%s",
                   path, body);
    return ask(text);
}

static bool says(const char *text)
{
    return strstr(last, text) != NULL;
}

static cJSON *json(void)
{
    cJSON *object = cJSON_Parse(last);
    ck_assert_msg(object != NULL, "%s", last);
    return object;
}

/* ---- who may ask ---------------------------------------------------------- */

START_TEST(strangers_are_refused)
{
    static const struct {
        unsigned status;
        const char *text;
    } cases[] = {
        {200, "GET\n/TOKEN/\nHost: HOST\n\n"},
        {200, "HEAD\n/TOKEN/\nHost: HOST\n\n"},
        {200, "GET\n/TOKEN/\nHost: localhost:4711\n\n"},
        {200, "GET\n/TOKEN/\nHost: LocalHost:4711\n\n"},
        {403, "GET\n/TOKEN/\n\n"},
        {403, "GET\n/TOKEN/\nHost: 127.0.0.1\n\n"},
        {403, "GET\n/TOKEN/\nHost: 127.0.0.1:4712\n\n"},
        {403, "GET\n/TOKEN/\nHost: 127.0.0.1:47111\n\n"},
        {403, "GET\n/TOKEN/\nHost: evil.example:4711\n\n"},
        {403, "GET\n/TOKEN/\nHost: localhost.evil.example:4711\n\n"},
        {403, "GET\n/\nHost: HOST\n\n"},
        {403, "GET\n\nHost: HOST\n\n"},
        {403, "GET\nTOKEN/\nHost: HOST\n\n"},
        {403, "GET\n/TOKEN\nHost: HOST\n\n"},
        {403, "GET\n/TOKENx/\nHost: HOST\n\n"},
        {403, "GET\n/api/session\nHost: HOST\n\n"},
        {403, "GET\n/00000000000000000000000000000000/\nHost: HOST\n\n"},
        {403, "GET\n//TOKEN/\nHost: HOST\n\n"},
        {404, "GET\n/TOKEN//\nHost: HOST\n\n"},
        {405, "PUT\n/TOKEN/\nHost: HOST\n\n"},
        {405, "OPTIONS\n/TOKEN/\nHost: HOST\n\n"},
        {405, "get\n/TOKEN/\nHost: HOST\n\n"},
        /* The page may be come to by a link; what it loads may not be loaded by others. */
        {200, "GET\n/TOKEN/\nHost: HOST\nSec-Fetch-Site: cross-site\nSec-Fetch-Mode: navigate\n\n"},
        {403, "GET\n/TOKEN/\nHost: HOST\nSec-Fetch-Site: cross-site\nSec-Fetch-Mode: no-cors\n\n"},
        {403, "GET\n/TOKEN/api/session\nHost: HOST\nSec-Fetch-Site: cross-site\n\n"},
        {403, "GET\n/TOKEN/api/session\nHost: HOST\nSec-Fetch-Site: same-site\n\n"},
        {200, "GET\n/TOKEN/api/session\nHost: HOST\nSec-Fetch-Site: same-origin\n\n"},
        {200, "GET\n/TOKEN/api/session\nHost: HOST\nSec-Fetch-Site: none\n\n"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        ck_assert_msg(ask(cases[i].text) == cases[i].status, "not %u: %s%s", cases[i].status, cases[i].text,
                      last);
}
END_TEST

#define POST_HEAD "POST\n/TOKEN/api/undo\nHost: HOST\n"
#define POST_TYPE "Content-Type: application/json\n"

START_TEST(changes_come_from_our_page_only)
{
    static const struct {
        unsigned status;
        const char *text;
    } cases[] = {
        {200, POST_HEAD "Origin: http://HOST\nX-Chaffinch: 1\n" POST_TYPE "\n{}"},
        {200, POST_HEAD "Origin: http://localhost:4711\nX-Chaffinch: 1\n" POST_TYPE "\n{}"},
        {200, POST_HEAD "Origin: http://HOST\nX-Chaffinch: 1\nContent-Type: application/json; charset=utf-8\n"
                        "\n{}"},
        {403, POST_HEAD "X-Chaffinch: 1\n" POST_TYPE "\n{}"},
        {403, POST_HEAD "Origin: null\nX-Chaffinch: 1\n" POST_TYPE "\n{}"},
        {403, POST_HEAD "Origin: http://evil.example\nX-Chaffinch: 1\n" POST_TYPE "\n{}"},
        {403, POST_HEAD "Origin: https://HOST\nX-Chaffinch: 1\n" POST_TYPE "\n{}"},
        {403, POST_HEAD "Origin: http://127.0.0.1:4712\nX-Chaffinch: 1\n" POST_TYPE "\n{}"},
        {403, POST_HEAD "Origin: http://HOST\n" POST_TYPE "\n{}"},
        {403, POST_HEAD "Origin: http://HOST\nX-Chaffinch: 0\n" POST_TYPE "\n{}"},
        {403, POST_HEAD "Origin: http://HOST\nX-Chaffinch: 1\nSec-Fetch-Site: cross-site\n" POST_TYPE "\n{}"},
        {415, POST_HEAD "Origin: http://HOST\nX-Chaffinch: 1\n\n{}"},
        {415, POST_HEAD "Origin: http://HOST\nX-Chaffinch: 1\nContent-Type: text/plain\n\n{}"},
        {415, POST_HEAD "Origin: http://HOST\nX-Chaffinch: 1\nContent-Type: application/jsonx\n\n{}"},
        {405, "GET\n/TOKEN/api/undo\nHost: HOST\n\n"},
        {405, "POST\n/TOKEN/api/session\nHost: HOST\nOrigin: http://HOST\nX-Chaffinch: 1\n" POST_TYPE "\n{}"},
        {404, "POST\n/TOKEN/index.html\nHost: HOST\nOrigin: http://HOST\nX-Chaffinch: 1\n" POST_TYPE "\n{}"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        ck_assert_msg(ask(cases[i].text) == cases[i].status, "not %u: %s%s", cases[i].status, cases[i].text,
                      last);
}
END_TEST

START_TEST(a_body_has_a_limit)
{
    struct request q = {.method = "POST", .host = desk.host[0], .mark = "1", .type = "application/json"};
    char path[64], origin[64], *body = calloc(1, DESK_BODY_MAX + 2);
    struct answer answer;
    (void)snprintf(path, sizeof path, "/%s/api/undo", desk.token);
    (void)snprintf(origin, sizeof origin, "http://%s", desk.host[0]);
    q.path = path;
    q.origin = origin;
    memset(body, ' ', DESK_BODY_MAX + 1);
    memcpy(body, "{}", 2);
    q.body = body;
    q.body_size = DESK_BODY_MAX;
    desk_answer(&desk, &q, false, &answer);
    ck_assert_uint_eq(answer.status, 200);
    answer_release(&answer);
    q.body_size++;
    desk_answer(&desk, &q, false, &answer);
    ck_assert_uint_eq(answer.status, 413);
    answer_release(&answer);
    free(body);
}
END_TEST

START_TEST(tokens_are_whole)
{
    ck_assert_uint_eq(strlen(desk.token), 32);
    ck_assert_str_ne(desk.token, desk.once);
    ck_assert(guard_same_token(desk.token, desk.token, 32));
    ck_assert(!guard_same_token(desk.token, desk.token, 31));
    ck_assert(!guard_same_token("", "", 0));
    char other[DESK_TOKEN_SIZE];
    for (int i = 0; i < 32; i++) {
        strcpy(other, desk.token);
        other[i] ^= 1;
        ck_assert(!guard_same_token(desk.token, other, 32));
    }
}
END_TEST

START_TEST(the_browser_gets_an_address_that_works_once)
{
    char text[200];
    (void)snprintf(text, sizeof text, "GET\n/%s/api/session\nHost: HOST\n\n", desk.once);
    ck_assert_uint_eq(ask(text), 403);
    (void)snprintf(text, sizeof text, "GET\n/%s/\nHost: evil.example\n\n", desk.once);
    ck_assert_uint_eq(ask(text), 403);
    (void)snprintf(text, sizeof text, "GET\n/%s/\nHost: HOST\n\n", desk.once);
    ck_assert_uint_eq(ask(text), 303);
    ck_assert_uint_eq(ask(text), 403);
}
END_TEST

/* ---- what is there -------------------------------------------------------- */

START_TEST(paths_name_nothing_else)
{
    static const char *const nothing[] = {
        "../catalogue.db",
        "..",
        "page/../index.html",
        "%2e%2e/x",
        "index.html/",
        "index.html%00",
        ".chaffinch/catalogue.db",
        "api",
        "api/",
        "api/sessions",
        "api/session/",
        "api/burst/",
        "api/burst/0",
        "api/burst/3",
        "api/burst/-1",
        "api/burst/1x",
        "api/burst/1/",
        "api/burst/99999999999999999999",
        "picture/",
        "picture/1",
        "picture/1/",
        "picture/1/huge",
        "picture/../1/small",
        "picture/1/crop/",
        "picture/1/crop/1,2,3",
        "picture/1/crop/1,2,3,4,5",
        "picture/1/crop/1,2,0,4",
        "picture/1/crop/-1,2,3,4",
        "picture/1/crop/1,2,2049,4",
        "picture/1/crop/1,2,3,4294967296",
        "picture/1/crop/1,2,3,4/",
        "picture/background/",
        "picture/background/9",
        "picture/background/1x",
    };
    for (size_t i = 0; i < sizeof nothing / sizeof nothing[0]; i++) {
        unsigned status = get(nothing[i]);
        ck_assert_msg(status == 404, "%s: %u", nothing[i], status);
        ck_assert_msg(says("\"error\":"), "%s", last);
    }
}
END_TEST

START_TEST(the_session_as_the_page_reads_it)
{
    ck_assert_uint_eq(get("api/session"), 200);
    cJSON *session = json(), *bursts = cJSON_GetObjectItem(session, "bursts");
    ck_assert_int_eq(cJSON_GetArraySize(bursts), 2);
    ck_assert_int_eq(cJSON_GetArraySize(cJSON_GetObjectItem(session, "setups")), 2);
    const cJSON *one = cJSON_GetArrayItem(bursts, 0), *passes = cJSON_GetObjectItem(one, "passes");
    ck_assert_int_eq(cJSON_GetArraySize(passes), 2);
    const cJSON *first = cJSON_GetArrayItem(passes, 0), *second = cJSON_GetArrayItem(passes, 1);
    ck_assert_int_eq(cJSON_GetObjectItem(first, "best")->valueint, (int)a);
    ck_assert_int_eq(cJSON_GetObjectItem(first, "frames")->valueint, 2);
    ck_assert_int_eq(cJSON_GetObjectItem(first, "keep")->valueint, 1);
    ck_assert_double_eq(cJSON_GetObjectItem(first, "sharpness")->valuedouble, .75);
    /* No frame stands for the second one: its frames are judged with the first. */
    ck_assert_int_eq(cJSON_GetObjectItem(second, "frames")->valueint, 0);
    ck_assert_int_eq(cJSON_GetObjectItem(second, "best")->valueint, 0);
    ck_assert_str_eq(cJSON_GetObjectItem(first, "judged")->valuestring, "no");
    ck_assert(says("\"measuring\":{\"running\":false,\"done\":0,\"total\":3}"));
    cJSON_Delete(session);
}
END_TEST

START_TEST(a_burst_as_the_page_reads_it)
{
    ck_assert_uint_eq(get("api/burst/1"), 200);
    cJSON *burst = json(), *frames = cJSON_GetObjectItem(burst, "frames");
    ck_assert_int_eq(cJSON_GetArraySize(frames), 2);
    const cJSON *one = cJSON_GetArrayItem(frames, 0), *subjects = cJSON_GetObjectItem(one, "subjects");
    ck_assert_int_eq(cJSON_GetArraySize(subjects), 2);
    const cJSON *heading = cJSON_GetObjectItem(cJSON_GetArrayItem(subjects, 0), "heading");
    ck_assert_double_eq(cJSON_GetArrayItem(heading, 0)->valuedouble, 1);
    ck_assert(cJSON_IsNull(cJSON_GetObjectItem(cJSON_GetArrayItem(subjects, 1), "heading")));
    ck_assert_str_eq(cJSON_GetObjectItem(one, "reason")->valuestring, "sharpest");
    const cJSON *two = cJSON_GetArrayItem(frames, 1);
    ck_assert(cJSON_IsNull(
        cJSON_GetObjectItem(cJSON_GetArrayItem(cJSON_GetObjectItem(two, "subjects"), 0), "blur_px")));
    /* A name that is no UTF-8 and means something to JSON. */
    ck_assert_str_eq(cJSON_GetObjectItem(two, "name")->valuestring, "b \xef\xbf\xbd\"<.JPG");
    cJSON_Delete(burst);
}
END_TEST

START_TEST(changes_wait_for_something)
{
    ck_assert_uint_eq(get("api/changes"), 400);
    ck_assert_uint_eq(ask("GET\n/TOKEN/api/changes\nHost: HOST\nSince: x\n\n"), 400);
    ck_assert_uint_eq(ask("GET\n/TOKEN/api/changes\nHost: HOST\nSince: 1\n\n"), 0);
    ck_assert_uint_eq(post("api/decide", "{\"frames\":[1],\"decision\":\"keep\"}"), 200);
    ck_assert_uint_eq(ask("GET\n/TOKEN/api/changes\nHost: HOST\nSince: 1\n\n"), 200);
    ck_assert_msg(says("\"version\":2") && says("\"bursts\":[1]"), "%s", last);
    ck_assert_uint_eq(ask("GET\n/TOKEN/api/changes\nHost: HOST\nSince: 99\n\n"), 200);
    ck_assert(says("\"bursts\":[1,2]"));
}
END_TEST

START_TEST(others_write_too)
{
    bool changed = false;
    struct catalogue *c = must_open(&place, CATALOGUE_WRITE);
    ck_assert(model_look(&desk.model, &changed, &err) && !changed);
    ck_assert(catalogue_decide(c, &d, 1, CATALOGUE_REJECT, "ben", &err));
    ck_assert(model_look(&desk.model, &changed, &err) && changed);
    ck_assert_uint_eq(ask("GET\n/TOKEN/api/changes\nHost: HOST\nSince: 1\n\n"), 200);
    ck_assert_msg(says("\"bursts\":[2]"), "%s", last);
    ck_assert(catalogue_set_setting(c, "x", "y", &err));
    ck_assert(model_look(&desk.model, &changed, &err) && !changed);
    catalogue_close(c);
}
END_TEST

/* ---- what is changed ------------------------------------------------------ */

static struct seen now(int64_t frame)
{
    return look(desk.session.catalogue, frame);
}

START_TEST(decisions_and_taking_back)
{
    ck_assert_uint_eq(post("api/decide", "{\"frames\":[1,2],\"decision\":\"reject\"}"), 200);
    ck_assert_str_eq(last, "{\"version\":2,\"bursts\":[1]}\n");
    ck_assert_uint_eq(post("api/accept", "{\"burst\":1,\"accepted\":true}"), 200);
    ck_assert_uint_eq(post("api/shortlist", "{\"frame\":1,\"on\":true}"), 200);
    ck_assert_uint_eq(post("api/recall", "{\"burst\":2,\"on\":true}"), 200);
    ck_assert(now(a).decision == CATALOGUE_REJECT && now(b).accepted && now(a).shortlist && now(d).recalled);
    ck_assert_uint_eq(get("api/session"), 200);
    ck_assert(says("\"judged\":\"yes\"") && says("\"recalled\":true"));
    /* A desk that is opened again takes back the same acts. */
    desk_close(&desk);
    ck_assert(desk_open(&desk, files_system(), place.path, NULL, NULL, &err));
    desk_set_port(&desk, 4711);
    static const char *const words[] = {"recall", "shortlist", "accept-reject", "reject"};
    for (size_t i = 0; i < 4; i++) {
        char wanted[64];
        (void)snprintf(wanted, sizeof wanted, "\"undone\":\"%s\"", words[i]);
        ck_assert_uint_eq(post("api/undo", "{}"), 200);
        ck_assert_msg(says(wanted), "%s", last);
    }
    ck_assert(says("\"frames\":2,\"bursts\":[1],\"burst\":1,\"pass\":1,\"frame\":1}"));
    ck_assert_uint_eq(post("api/undo", "{}"), 200);
    ck_assert(says("\"undone\":null"));
    ck_assert(now(a).decision == CATALOGUE_UNDECIDED && !now(b).accepted && !now(a).shortlist &&
              !now(d).recalled);
}
END_TEST

START_TEST(one_pass_is_accepted)
{
    ck_assert_uint_eq(post("api/decide", "{\"frames\":[2],\"decision\":\"keep\"}"), 200);
    ck_assert_uint_eq(get("api/session"), 200);
    ck_assert(says("\"judged\":\"part\""));
    ck_assert_uint_eq(post("api/accept", "{\"burst\":1,\"pass\":1,\"accepted\":true}"), 200);
    ck_assert(now(a).accepted && now(b).accepted && !now(d).accepted);
    ck_assert_uint_eq(get("api/session"), 200);
    ck_assert(says("\"judged\":\"yes\""));
    ck_assert_uint_eq(post("api/accept", "{\"burst\":1,\"pass\":2,\"accepted\":true}"), 400);
    ck_assert_uint_eq(post("api/accept", "{\"burst\":9,\"accepted\":true}"), 400);
}
END_TEST

START_TEST(areas_are_drawn_and_taken_away)
{
    ck_assert_uint_eq(get("api/areas"), 200);
    ck_assert_str_eq(last, "[]\n");
    ck_assert_uint_eq(
        post("api/area", "{\"setup\":2,\"kind\":\"ignore\",\"x\":0.5,\"y\":0,\"w\":0.5,\"h\":0.25}"), 200);
    cJSON *answer = json();
    char body[64];
    (void)snprintf(body, sizeof body, "{\"id\":%d}", cJSON_GetObjectItem(answer, "id")->valueint);
    cJSON_Delete(answer);
    ck_assert_uint_eq(get("api/areas"), 200);
    ck_assert(says("\"setup\":2,\"kind\":\"ignore\",\"x\":0.5,\"y\":0,\"w\":0.5,\"h\":0.25}"));
    ck_assert_uint_eq(post("api/area/remove", body), 200);
    ck_assert_uint_eq(post("api/area/remove", body), 400);
    ck_assert_uint_eq(get("api/areas"), 200);
    ck_assert_str_eq(last, "[]\n");
}
END_TEST

START_TEST(nonsense_changes_nothing)
{
    static const char *const bad[][2] = {
        {"api/decide", ""},
        {"api/decide", "[]"},
        {"api/decide", "{\"frames\":[1],\"decision\":\"keep\""},
        {"api/decide", "{\"frames\":[],\"decision\":\"keep\"}"},
        {"api/decide", "{\"frames\":[1,99],\"decision\":\"keep\"}"},
        {"api/decide", "{\"frames\":[1.5],\"decision\":\"keep\"}"},
        {"api/decide", "{\"frames\":[\"1\"],\"decision\":\"keep\"}"},
        {"api/decide", "{\"frames\":[1],\"decision\":\"KEEP\"}"},
        {"api/decide", "{\"frames\":[1],\"decision\":1}"},
        {"api/decide", "{\"frames\":1,\"decision\":\"keep\"}"},
        {"api/accept", "{\"burst\":1}"},
        {"api/accept", "{\"burst\":1,\"accepted\":1}"},
        {"api/accept", "{\"burst\":1,\"pass\":\"x\",\"accepted\":true}"},
        {"api/shortlist", "{\"frame\":99,\"on\":true}"},
        {"api/shortlist", "{\"frame\":-1,\"on\":true}"},
        {"api/recall", "{\"burst\":77,\"on\":true}"},
        {"api/area", "{\"setup\":1,\"kind\":\"grass\",\"x\":0,\"y\":0,\"w\":1,\"h\":1}"},
        {"api/area", "{\"setup\":1,\"kind\":\"ignore\",\"x\":0.5,\"y\":0,\"w\":1,\"h\":1}"},
        {"api/area", "{\"setup\":7,\"kind\":\"ignore\",\"x\":0,\"y\":0,\"w\":1,\"h\":1}"},
        {"api/area/remove", "{\"id\":1}"},
        {"api/place", "{\"pass\":1}"},
        {"api/settings", "{\"settings\":1}"},
        {"api/prepare", "{\"pictures\":[\"../1/small\"]}"},
        {"api/prepare", "{\"pictures\":[1]}"},
    };
    char text[256];
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        ck_assert_msg(post(bad[i][0], bad[i][1]) == 400 && says("\"error\""), "%s %s: %s", bad[i][0],
                      bad[i][1], last);
    ck_assert_str_eq(raw_value(&place, "SELECT count(*) FROM decision", text), "0");
}
END_TEST

START_TEST(place_and_settings_are_kept)
{
    ck_assert_uint_eq(get("api/place"), 200);
    ck_assert_str_eq(last, "{\"burst\":null,\"pass\":null}\n");
    ck_assert_uint_eq(post("api/place", "{\"burst\":2,\"pass\":null}"), 200);
    ck_assert_uint_eq(get("api/place"), 200);
    ck_assert_str_eq(last, "{\"burst\":2,\"pass\":0}\n");
    ck_assert_uint_eq(post("api/place", "{\"burst\":1,\"pass\":2}"), 200);
    ck_assert_uint_eq(get("api/place"), 200);
    ck_assert_str_eq(last, "{\"burst\":1,\"pass\":2}\n");
    ck_assert_uint_eq(get("api/settings"), 200);
    ck_assert_str_eq(last, "{\"settings\":{}}\n");
    ck_assert_uint_eq(post("api/settings", "{\"settings\": {\"keys\" : [1, \"x\"]}}"), 200);
    ck_assert_uint_eq(get("api/settings"), 200);
    ck_assert_str_eq(last, "{\"settings\":{\"keys\":[1,\"x\"]}}\n");
}
END_TEST

START_TEST(what_apply_would_do)
{
    ck_assert_uint_eq(get("api/apply"), 200);
    ck_assert_msg(says("\"move\":{\"frames\":1,\"files\":1,\"bytes\":7}"), "%s", last);
    ck_assert(says("\"undecided\":1,\"keep\":1,\"reject\":1"));
    char command[200];
    (void)snprintf(command, sizeof command, "\"command\":\"chaffinch-apply '%s' --move\"", place.path);
    ck_assert_msg(says(command), "%s", last);
    ck_assert_uint_eq(post("api/decide", "{\"frames\":[2],\"decision\":\"keep\"}"), 200);
    ck_assert_uint_eq(get("api/apply"), 200);
    ck_assert(says("\"move\":{\"frames\":0,\"files\":0,\"bytes\":0}"));
    ck_assert_uint_eq(get("api/shortlist"), 200);
    cJSON *list = json();
    ck_assert_int_eq(cJSON_GetArraySize(cJSON_GetObjectItem(list, "frames")), 2);
    cJSON_Delete(list);
}
END_TEST

START_TEST(a_session_for_looking_only)
{
    desk.read_only = true;
    strcpy(desk.why_read_only, "the disk is read-only");
    ck_assert_uint_eq(get("api/session"), 200);
    ck_assert(says("\"read_only\":true"));
    ck_assert_uint_eq(post("api/decide", "{\"frames\":[1],\"decision\":\"keep\"}"), 409);
    ck_assert(says("the disk is read-only"));
    ck_assert_uint_eq(post("api/undo", "{}"), 409);
    ck_assert_uint_eq(post("api/prepare", "{\"pictures\":[]}"), 200);
}
END_TEST

/* ---- pictures ------------------------------------------------------------- */

START_TEST(the_queue_of_pictures_is_bounded)
{
    char path[64];
    for (int i = 1; i <= PICTURES_MAX + 10; i++) {
        (void)snprintf(path, sizeof path, "picture/1/crop/%d,0,8,8", i);
        ck_assert_uint_eq(get(path), 0);
    }
    ck_assert_uint_eq(post("api/prepare", "{\"pictures\":[\"1/small\",\"2/whole\",\"1/crop/1,2,3,4\"]}"),
                      200);
}
END_TEST

/* ---- noise ---------------------------------------------------------------- */

static uint64_t noise_state;

static uint32_t noise(uint32_t below)
{
    noise_state ^= noise_state << 13; /* xorshift64 (Marsaglia 2003) */
    noise_state ^= noise_state >> 7;
    noise_state ^= noise_state << 17;
    return (uint32_t)(noise_state >> 33) % below;
}

/* Good requests with bytes changed, cut, doubled. The long run is tests/fuzz/fuzz_review.c. */
START_TEST(noise_gets_an_answer)
{
    static const char *const seeds[] = {
        "GET\n/TOKEN/api/session\nHost: HOST\nSec-Fetch-Site: same-origin\n\n",
        "GET\n/TOKEN/picture/12/crop/100,200,300,400\nHost: HOST\n\n",
        "GET\n/TOKEN/api/changes\nHost: HOST\nSince: 12\n\n",
        "GET\n/TOKEN/api/burst/1\nHost: HOST\n\n",
        POST_HEAD "Origin: http://HOST\nX-Chaffinch: 1\n" POST_TYPE "\n{}",
        "POST\n/TOKEN/api/decide\nHost: HOST\nOrigin: http://HOST\nX-Chaffinch: 1\n" POST_TYPE
        "\n{\"frames\":[1,2],\"decision\":\"keep\"}",
        "POST\n/TOKEN/api/area\nHost: HOST\nOrigin: http://HOST\nX-Chaffinch: 1\n" POST_TYPE
        "\n{\"setup\":1,\"kind\":\"ignore\",\"x\":0.1,\"y\":0.1,\"w\":0.1,\"h\":0.1}",
        "POST\n/TOKEN/api/prepare\nHost: HOST\nOrigin: http://HOST\nX-Chaffinch: 1\n" POST_TYPE
        "\n{\"pictures\":[\"1/small\",\"2/crop/1,2,3,4\"]}",
    };
    enum { N_SEEDS = sizeof seeds / sizeof seeds[0], ROUNDS = 3000 };
    uint8_t bytes[1024];
    unsigned good = 0, refused = 0;
    noise_state = 88172645463325252; /* the seed of that paper */
    for (int round = 0; round < ROUNDS; round++) {
        const char *seed = seeds[noise(N_SEEDS)];
        size_t size = strlen(seed);
        memcpy(bytes, seed, size);
        for (uint32_t n = noise(4); n > 0; n--)
            bytes[noise((uint32_t)size)] = (uint8_t)noise(256);
        if (noise(8) == 0)
            size = noise((uint32_t)size) + 1;
        unsigned status = answer_bytes(&desk, bytes, size);
        good += status == 200;
        refused += status >= 400 && status < 500;
        ck_assert_msg(status < 500, "%u: %.*s", status, (int)size, (const char *)bytes);
    }
    ck_assert_msg(good > ROUNDS / 10 && refused > ROUNDS / 10, "%u good, %u refused", good, refused);
    ck_assert_uint_eq(get("api/session"), 200);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("review");
    TCase *cases = tcase_create("desk");
    tcase_set_timeout(cases, 60);
    tcase_add_checked_fixture(cases, setup, teardown);
    tcase_add_test(cases, strangers_are_refused);
    tcase_add_test(cases, changes_come_from_our_page_only);
    tcase_add_test(cases, a_body_has_a_limit);
    tcase_add_test(cases, tokens_are_whole);
    tcase_add_test(cases, the_browser_gets_an_address_that_works_once);
    tcase_add_test(cases, paths_name_nothing_else);
    tcase_add_test(cases, the_session_as_the_page_reads_it);
    tcase_add_test(cases, a_burst_as_the_page_reads_it);
    tcase_add_test(cases, changes_wait_for_something);
    tcase_add_test(cases, others_write_too);
    tcase_add_test(cases, decisions_and_taking_back);
    tcase_add_test(cases, one_pass_is_accepted);
    tcase_add_test(cases, areas_are_drawn_and_taken_away);
    tcase_add_test(cases, nonsense_changes_nothing);
    tcase_add_test(cases, place_and_settings_are_kept);
    tcase_add_test(cases, what_apply_would_do);
    tcase_add_test(cases, a_session_for_looking_only);
    tcase_add_test(cases, the_queue_of_pictures_is_bounded);
    tcase_add_test(cases, noise_gets_an_answer);
    suite_add_tcase(suite, cases);
    return run_suite(suite);
}
