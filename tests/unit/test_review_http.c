/* The server of review on a socket: a child serves a small session, the test speaks HTTP to it by hand. */
#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>

#include "catalogue_place.h"
#include "chaffinch/decode.h"
#include "chaffinch/review.h"
#include "chaffinch/session.h"

static struct place place;
static pid_t server;
static char address[128], token[40];
static uint16_t port;

/* ---- the session and its server ------------------------------------------- */

/* A grey ramp of 640 x 480 in the place of the frame's file. */
static void write_picture(const char *name, size_t cut)
{
    struct err err = ERR_INIT;
    struct decode_picture picture = {640, 480, calloc(640 * 480, 3)};
    uint8_t *jpeg = NULL;
    size_t size = 0;
    for (size_t i = 0; i < 640 * 480 * 3; i++)
        picture.rgb[i] = (uint8_t)(i / 3 % 640 * 255 / 639);
    ck_assert(decode_encode_jpeg(&picture, 90, &jpeg, &size, &err));
    int fd = openat(place.root.fd, name, O_WRONLY | O_CREAT, 0666);
    ck_assert_int_eq(write(fd, jpeg, size - cut), (ssize_t)(size - cut));
    (void)close(fd);
    free(jpeg);
    decode_picture_release(&picture);
}

static void fill(void)
{
    struct err err = ERR_INIT;
    struct catalogue *c = must_open(&place, CATALOGUE_WRITE);
    const struct catalogue_burst burst = {.number = 1, .body = "A1", .n_frames = 3};
    (void)put(c, "A1 aa", "a.JPG", 1, 0);
    (void)put(c, "A1 bb", "b.JPG", 1, 1);
    (void)put(c, "A1 cc", "gone.JPG", 1, 2);
    ck_assert(catalogue_put_bursts(c, &burst, 1, &err));
    catalogue_close(c);
    write_picture("a.JPG", 0);
    write_picture("b.JPG", 3000);
}

static volatile sig_atomic_t stop;

static void on_term(int number)
{
    (void)number;
    stop = 1;
}

static bool tell(void *context, const char *text, struct err *err)
{
    (void)err;
    return write(*(int *)context, text, strlen(text) + 1) > 0;
}

static void serve(int out)
{
    struct err err = ERR_INIT;
    const struct worker_config config = {.handler = session_worker, .workers = 2};
    const struct review_options options = {.idle_s = 1, .context = &out, .ready = tell};
    const struct sigaction action = {.sa_handler = on_term};
    static struct worker_pool *workers;
    (void)sigaction(SIGTERM, &action, NULL);
    (void)signal(SIGPIPE, SIG_IGN);
    workers = worker_pool_start(&config, &err);
    bool ok = workers != NULL && review_run(files_system(), place.path, workers, &options, NULL,
                                            (const volatile int *)&stop, &err);
    if (!ok)
        (void)tell(&out, err.message, NULL);
    worker_pool_stop(workers);
    _exit(ok ? 0 : err_exit_status(&err));
}

/* The first word that the child says. */
static pid_t start(char word[640])
{
    int pipes[2];
    ck_assert_int_eq(pipe(pipes), 0);
    pid_t child = fork();
    ck_assert_int_ge(child, 0);
    if (child == 0)
        serve(pipes[1]);
    (void)close(pipes[1]);
    ssize_t n = read(pipes[0], word, 639);
    word[n > 0 ? n : 0] = '\0';
    (void)close(pipes[0]);
    return child;
}

static int end(pid_t child, int number)
{
    int status = 0;
    (void)kill(child, number);
    ck_assert_int_eq(waitpid(child, &status, 0), child);
    return WIFEXITED(status) ? WEXITSTATUS(status) : -WTERMSIG(status);
}

static void start_server(void)
{
    char word[640];
    server = start(word);
    ck_assert_msg(sscanf(word, "http://127.0.0.1:%hu/%32[0-9a-f]/", &port, token) == 2, "%s", word);
    (void)snprintf(address, sizeof address, "%.127s", word);
}

static void setup(void)
{
    place_make(&place);
    fill();
    start_server();
}

static void teardown(void)
{
    if (server > 0)
        (void)end(server, SIGKILL);
    place_clean(&place);
}

/* ---- a client ------------------------------------------------------------- */

static int connect_to_server(void)
{
    const struct sockaddr_in to = {
        .sin_family = AF_INET, .sin_port = htons(port), .sin_addr = {htonl(INADDR_LOOPBACK)}};
    int fd = socket(AF_INET, SOCK_STREAM, 0);
    ck_assert_int_eq(connect(fd, (const struct sockaddr *)&to, sizeof to), 0);
    return fd;
}

static void say(int fd, const char *text)
{
    ck_assert_int_eq(send(fd, text, strlen(text), MSG_NOSIGNAL), (ssize_t)strlen(text));
}

static char heard[1 << 17];

/* Reads to the end of the connection, or of the body that Content-Length announces; the status, or 0 where
   the line was cut without an answer, -1 where it neither ended nor answered in that time. */
static int hear(int fd, int wait_ms)
{
    size_t have = 0;
    heard[0] = '\0';
    for (;;) {
        struct pollfd p = {fd, POLLIN, 0};
        if (poll(&p, 1, wait_ms) == 0)
            return -1;
        ssize_t n = recv(fd, heard + have, sizeof heard - 1 - have, 0);
        if (n <= 0)
            break;
        have += (size_t)n;
        heard[have] = '\0';
        const char *body = strstr(heard, "\r\n\r\n"), *length = strstr(heard, "Content-Length: ");
        if (body != NULL && length != NULL &&
            have >= (size_t)(body + 4 - heard) + strtoul(length + 16, NULL, 10))
            break;
    }
    int status = 0;
    (void)sscanf(heard, "HTTP/1.1 %d", &status);
    return status;
}

static int ask_raw(const char *text)
{
    int fd = connect_to_server();
    say(fd, text);
    int status = hear(fd, 8000);
    (void)close(fd);
    return status;
}

static void request_text(char out[8192], const char *method, const char *path, const char *body)
{
    (void)snprintf(out, 8192,
                   "%s /%s/%s HTTP/1.1\r\nHost: 127.0.0.1:%u\r\nOrigin: http://127.0.0.1:%u\r\n"
                   "X-Chaffinch: 1\r\nContent-Type: application/json\r\nContent-Length: %zu\r\n\r\n%s",
                   method, token, path, port, port, strlen(body), body);
}

static int get(const char *path)
{
    char text[8192];
    request_text(text, "GET", path, "");
    return ask_raw(text);
}

static int post(const char *path, const char *body)
{
    char text[8192];
    request_text(text, "POST", path, body);
    return ask_raw(text);
}

static const char *body_heard(void)
{
    const char *body = strstr(heard, "\r\n\r\n");
    return body != NULL ? body + 4 : "";
}

/* ---- answers -------------------------------------------------------------- */

START_TEST(the_page_is_there_and_locked_down)
{
    static const char *const headers[] = {
        ("Content-Security-Policy: default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' "
         "blob:; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'\r\n"),
        "X-Content-Type-Options: nosniff\r\n", "Referrer-Policy: no-referrer\r\n",
        "Cache-Control: no-store\r\n", "Content-Type: text/html; charset=utf-8\r\n"};
    ck_assert_int_eq(get(""), 200);
    for (size_t i = 0; i < sizeof headers / sizeof headers[0]; i++)
        ck_assert_msg(strstr(heard, headers[i]) != NULL, "%s is missing in %s", headers[i], heard);
    /* What is refused carries them, too. */
    ck_assert_int_eq(get("nothing"), 404);
    ck_assert_ptr_nonnull(strstr(heard, headers[0]));
    ck_assert_ptr_null(strstr(heard, "Access-Control"));
}
END_TEST

START_TEST(strangers_and_nonsense_are_refused)
{
    char text[8192];
    static const char *const requests[] = {
        "GET / HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\n\r\n",
        "GET /TOKEN/ HTTP/1.1\r\nHost: evil.example\r\n\r\n",
        "GET /TOKEN/ HTTP/1.1\r\n\r\n",
        "GET /TOKEN/ HTTP/1.0\r\n\r\n",
        "GET /TOKEN/../../etc/passwd HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\n\r\n",
        "GET /TOKEN/%2e%2e/%2e%2e/etc/passwd HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\n\r\n",
        "GET /TOKEN/index.html%00.css HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\n\r\n",
        "GET /TOKEN/picture/77777/small HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\n\r\n",
        ("POST /TOKEN/api/undo HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\nOrigin: http://evil.example\r\n"
         "X-Chaffinch: 1\r\nContent-Type: application/json\r\nContent-Length: 2\r\n\r\n{}"),
        "POST /TOKEN/api/undo HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\nOrigin: http://127.0.0.1:PORT\r\n"
        "Content-Type: application/json\r\nContent-Length: 2\r\n\r\n{}",
        "POST /TOKEN/api/undo HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\nContent-Type: "
        "application/x-www-form-urlencoded\r\nContent-Length: 3\r\n\r\na=b",
        "DELETE /TOKEN/ HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\n\r\n",
        "CONNECT 127.0.0.1:22 HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\n\r\n",
        "GET http://evil.example/ HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\n\r\n",
    };
    for (size_t i = 0; i < sizeof requests / sizeof requests[0]; i++) {
        char number[8];
        size_t n = 0;
        (void)snprintf(number, sizeof number, "%u", port);
        for (const char *p = requests[i]; *p != '\0';) {
            const char *word = strncmp(p, "TOKEN", 5) == 0  ? token
                               : strncmp(p, "PORT", 4) == 0 ? number
                                                            : NULL;
            if (word != NULL)
                n += (size_t)snprintf(text + n, sizeof text - n, "%s", word);
            else
                text[n++] = *p;
            p += word == token ? 5 : word != NULL ? 4 : 1;
        }
        text[n] = '\0';
        int status = ask_raw(text);
        ck_assert_msg(status >= 400 && status < 500, "%d: %s", status, text);
    }
    /* What is no HTTP at all gets a 4xx or nothing. */
    static const char *const noise[] = {"\r\n\r\n\r\n", "nonsense\r\n\r\n", "GET\r\n\r\n", "\x16\x03\x01\x02",
                                        "GET / HTTP/9.9\r\n\r\n"};
    for (size_t i = 0; i < sizeof noise / sizeof noise[0]; i++) {
        int status = ask_raw(noise[i]);
        ck_assert_msg(status == 0 || (status >= 400 && status < 506), "%d for noise %zu", status, i);
    }
    ck_assert_int_eq(get("api/session"), 200);
}
END_TEST

START_TEST(heads_and_bodies_have_limits)
{
    static char text[120000];
    /* A body that says that it is too long; one that does not say. */
    (void)snprintf(text, sizeof text,
                   "POST /%s/api/undo HTTP/1.1\r\nHost: 127.0.0.1:%u\r\nContent-Length: 65537\r\n\r\n", token,
                   port);
    ck_assert_int_eq(ask_raw(text), 403); /* who asks comes first */
    (void)snprintf(text, sizeof text,
                   "POST /%s/api/undo HTTP/1.1\r\nHost: 127.0.0.1:%u\r\nOrigin: http://127.0.0.1:%u\r\n"
                   "X-Chaffinch: 1\r\nContent-Type: application/json\r\nContent-Length: 99999999\r\n\r\n",
                   token, port, port);
    ck_assert_int_eq(ask_raw(text), 413);
    size_t n = (size_t)snprintf(text, sizeof text,
                                "POST /%s/api/undo HTTP/1.1\r\nHost: 127.0.0.1:%u\r\nOrigin: "
                                "http://127.0.0.1:%u\r\nX-Chaffinch: 1\r\nContent-Type: application/json\r\n"
                                "Transfer-Encoding: chunked\r\n\r\n18000\r\n",
                                token, port, port);
    memset(text + n, ' ', 0x18000);
    strcpy(text + n + 0x18000, "\r\n0\r\n\r\n");
    ck_assert_int_eq(ask_raw(text), 413);
    /* A head without an end. */
    n = (size_t)snprintf(text, sizeof text, "GET /%s/ HTTP/1.1\r\nHost: 127.0.0.1:%u\r\nX: ", token, port);
    memset(text + n, 'x', 60000);
    strcpy(text + n + 60000, "\r\n\r\n");
    int fd = connect_to_server();
    (void)!send(fd, text, strlen(text), MSG_NOSIGNAL);
    int status = hear(fd, 8000);
    ck_assert_msg(status == 0 || (status >= 400 && status < 500), "%d", status);
    (void)close(fd);
    ck_assert_int_eq(get("api/session"), 200);
}
END_TEST

static int64_t now_ms(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

START_TEST(slow_clients_are_let_go)
{
    /* Silent after half a line. The server of this test allows a second of silence. */
    int fd = connect_to_server();
    say(fd, "GET /");
    int64_t begin = now_ms();
    (void)hear(fd, 6000);
    ck_assert_int_lt(now_ms() - begin, 5000);
    (void)close(fd);
    /* One that drips: each byte comes in time, the request never. */
    fd = connect_to_server();
    begin = now_ms();
    bool open = true;
    while (open && now_ms() - begin < 8000) {
        struct pollfd p = {fd, POLLIN, 0};
        open = send(fd, "G", 1, MSG_NOSIGNAL) == 1 && poll(&p, 1, 300) == 0;
    }
    ck_assert(!open);
    (void)close(fd);
    ck_assert_int_eq(get("api/session"), 200);
}
END_TEST

START_TEST(many_connections_do_not_shut_others_out_for_long)
{
    enum { MANY = 90 };
    int fds[MANY];
    for (int i = 0; i < MANY; i++)
        fds[i] = connect_to_server();
    int status = 0;
    for (int64_t begin = now_ms(); status != 200 && now_ms() - begin < 8000;)
        status = get("api/session");
    ck_assert_int_eq(status, 200);
    for (int i = 0; i < MANY; i++)
        (void)close(fds[i]);
}
END_TEST

/* ---- pictures ------------------------------------------------------------- */

START_TEST(pictures_are_cut)
{
    ck_assert_int_eq(get("picture/1/crop/100,50,64,48"), 200);
    ck_assert_ptr_nonnull(strstr(heard, "Content-Type: image/jpeg\r\n"));
    ck_assert_ptr_nonnull(strstr(heard, "Cache-Control: private, max-age=3600, immutable\r\n"));
    ck_assert_int_eq((unsigned char)body_heard()[0], 0xff);
    ck_assert_int_eq(get("picture/1/crop/100,50,64,48"), 200); /* from memory */
    ck_assert_int_eq(get("picture/1/small"), 200);
    ck_assert_int_eq(get("picture/1/whole"), 200);
    /* One that is cut short, and one whose file is gone, say why. */
    ck_assert_int_eq(get("picture/2/whole"), 404);
    ck_assert_msg(strstr(body_heard(), "cut short") != NULL, "%s", body_heard());
    ck_assert_int_eq(get("picture/3/small"), 404);
    ck_assert_msg(strstr(body_heard(), "gone.JPG") != NULL, "%s", body_heard());
    ck_assert_int_eq(post("api/prepare", "{\"pictures\":[\"1/crop/1,1,99,99\"]}"), 200);
}
END_TEST

/* ---- several, and restarts ------------------------------------------------ */

START_TEST(two_clients_stay_in_step)
{
    char text[8192];
    int waiting = connect_to_server(), fd;
    request_text(text, "GET", "api/changes?since=1", "");
    say(waiting, text);
    struct pollfd p = {waiting, POLLIN, 0};
    ck_assert_int_eq(poll(&p, 1, 300), 0);
    int64_t begin = now_ms();
    ck_assert_int_eq(post("api/decide", "{\"frames\":[1],\"decision\":\"keep\"}"), 200);
    ck_assert_int_eq(hear(waiting, 8000), 200);
    ck_assert_int_lt(now_ms() - begin, 2000);
    ck_assert_msg(strstr(body_heard(), "\"version\":2") != NULL, "%s", body_heard());
    ck_assert_ptr_nonnull(strstr(body_heard(), "\"bursts\":[1]"));
    (void)close(waiting);
    /* Somebody who waits and leaves takes nothing along. */
    fd = connect_to_server();
    request_text(text, "GET", "api/changes?since=2", "");
    say(fd, text);
    (void)close(fd);
    ck_assert_int_eq(post("api/decide", "{\"frames\":[1],\"decision\":\"reject\"}"), 200);
    ck_assert_int_eq(get("api/session"), 200);
}
END_TEST

START_TEST(what_others_write_is_told)
{
    char text[8192];
    struct err err = ERR_INIT;
    int64_t frame = 2;
    int waiting = connect_to_server();
    request_text(text, "GET", "api/changes?since=1", "");
    say(waiting, text);
    struct catalogue *c = must_open(&place, CATALOGUE_WRITE);
    ck_assert(catalogue_decide(c, &frame, 1, CATALOGUE_KEEP, "ann", &err));
    catalogue_close(c);
    ck_assert_int_eq(hear(waiting, 8000), 200);
    ck_assert_ptr_nonnull(strstr(body_heard(), "\"bursts\":[1]"));
    (void)close(waiting);
}
END_TEST

START_TEST(a_second_review_is_refused)
{
    char word[640];
    struct stat st;
    pid_t second = start(word);
    ck_assert_int_eq(end(second, 0), 3);
    ck_assert_msg(strstr(word, address) != NULL, "%s", word);
    ck_assert_int_eq(fstatat(place.root.state, "review", &st, 0), 0);
    ck_assert_int_eq(st.st_mode & 0777, 0600);
    /* It ends cleanly even while somebody waits for changes, and takes the address away. */
    char text[8192];
    int waiting = connect_to_server();
    request_text(text, "GET", "api/changes?since=1", "");
    say(waiting, text);
    struct pollfd p = {waiting, POLLIN, 0};
    ck_assert_int_eq(poll(&p, 1, 200), 0);
    ck_assert_int_eq(end(server, SIGTERM), 0);
    (void)close(waiting);
    ck_assert_int_ne(fstatat(place.root.state, "review", &st, 0), 0);
    /* A killed one leaves its address, but not its lock. */
    start_server();
    ck_assert_int_eq(end(server, SIGKILL), -SIGKILL);
    start_server();
}
END_TEST

START_TEST(a_killed_server_loses_nothing)
{
    ck_assert_int_eq(post("api/decide", "{\"frames\":[1,2],\"decision\":\"reject\"}"), 200);
    ck_assert_int_eq(post("api/shortlist", "{\"frame\":1,\"on\":true}"), 200);
    ck_assert_int_eq(end(server, SIGKILL), -SIGKILL);
    struct catalogue *c = must_open(&place, CATALOGUE_READ);
    ck_assert(look(c, 1).decision == CATALOGUE_REJECT && look(c, 1).shortlist);
    catalogue_close(c);
    start_server();
    ck_assert_int_eq(post("api/undo", "{}"), 200);
    ck_assert_ptr_nonnull(strstr(body_heard(), "\"undone\":\"shortlist\""));
    ck_assert_int_eq(post("api/undo", "{}"), 200);
    ck_assert_ptr_nonnull(strstr(body_heard(), "\"undone\":\"reject\",\"frames\":2"));
    c = must_open(&place, CATALOGUE_READ);
    ck_assert(look(c, 1).decision == CATALOGUE_UNDECIDED && !look(c, 1).shortlist);
    catalogue_close(c);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("review_http");
    TCase *cases = tcase_create("server");
    tcase_set_timeout(cases, 60);
    tcase_add_checked_fixture(cases, setup, teardown);
    tcase_add_test(cases, the_page_is_there_and_locked_down);
    tcase_add_test(cases, strangers_and_nonsense_are_refused);
    tcase_add_test(cases, heads_and_bodies_have_limits);
    tcase_add_test(cases, slow_clients_are_let_go);
    tcase_add_test(cases, many_connections_do_not_shut_others_out_for_long);
    tcase_add_test(cases, pictures_are_cut);
    tcase_add_test(cases, two_clients_stay_in_step);
    tcase_add_test(cases, what_others_write_is_told);
    tcase_add_test(cases, a_second_review_is_refused);
    tcase_add_test(cases, a_killed_server_loses_nothing);
    suite_add_tcase(suite, cases);
    return run_suite(suite);
}
