/*
 * http.c - the socket: libmicrohttpd without threads, in a loop of our own beside the workers.
 *
 * A request that cannot be answered yet (a picture in the making, no changes so far) is suspended and asked
 * again when there is news. A connection gets `idle_s` of silence, and twice that for one request from its
 * first byte to its last, however busily it drips.
 */
#include <arpa/inet.h>
#include <errno.h>
#include <microhttpd.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>

#include "browser.h"
#include "desk.h"
#include "pictures.h"
#include "single.h"

enum {
    CONNECTIONS_MAX = 64,
    HEAD_MAX = 24 << 10,  /* bytes a connection may use for its request line and headers */
    EXCESS_MAX = 1 << 20, /* of a body that is too long and did not say so: then the line is cut */
    IDLE_S = 15,
    CHANGES_WAIT_MS = 20000,
    LOOK_MS = 500,  /* how often somebody else's writing is looked for */
    ROUND_MS = 200, /* a signal that comes just before poll waits no longer */
    DESCRIPTORS_MAX = 258,
};

struct server;

/* One connection, for its time limit. */
struct line {
    struct server *server;
    struct line *next;
    int fd;
    int64_t since_ms; /* the last answer was finished, or the connection made */
    bool in_work;     /* a whole request is here */
};

/* One request. */
struct exchange {
    struct server *server;
    struct exchange *next; /* in the list of those that wait */
    struct MHD_Connection *connection;
    char *method, *path;
    struct str body;
    bool too_long, waiting;
    enum answer_state waits_for;
    size_t excess; /* bytes beyond what a body may have, thrown away */
    int64_t asked_ms;
    int64_t version; /* when it was last asked */
};

struct server {
    struct desk *desk;
    struct MHD_Daemon *daemon;
    struct exchange *waiting;
    struct line *lines;
    int64_t look_again_ms; /* for what others wrote */
    bool in_trouble;       /* the last look failed */
    int64_t request_ms;    /* the most that one may take to arrive */
};

static int64_t now_ms(void)
{
    struct timespec t = {0};
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

/* ---- answers -------------------------------------------------------------- */

static void add_headers(struct MHD_Response *response, const struct answer *a)
{
    static const char *const headers[][2] = {
        {"Content-Security-Policy",
         "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
         "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"},
        {"X-Content-Type-Options", "nosniff"},
        {"X-Frame-Options", "DENY"},
        {"Referrer-Policy", "no-referrer"},
        {"Cross-Origin-Resource-Policy", "same-origin"},
        {"Cross-Origin-Opener-Policy", "same-origin"},
    };
    for (size_t i = 0; i < sizeof headers / sizeof headers[0]; i++)
        (void)MHD_add_response_header(response, headers[i][0], headers[i][1]);
    (void)MHD_add_response_header(response, "Content-Type", a->type);
    (void)MHD_add_response_header(response, "Cache-Control",
                                  a->may_be_kept ? "private, max-age=3600, immutable" : "no-store");
    if (a->location != NULL) {
        char target[DESK_TOKEN_SIZE + 4];
        (void)snprintf(target, sizeof target, "/%s/", a->location);
        (void)MHD_add_response_header(response, "Location", target);
    }
    if (a->status == 405)
        (void)MHD_add_response_header(response, "Allow", "GET, HEAD, POST");
}

static enum MHD_Result send_answer(struct MHD_Connection *connection, const struct answer *a)
{
    const void *bytes = a->fixed != NULL ? a->fixed : a->body.bytes;
    size_t size = a->fixed != NULL ? a->fixed_size : a->body.size;
    struct MHD_Response *response =
        MHD_create_response_from_buffer(size, (void *)(uintptr_t)bytes, MHD_RESPMEM_MUST_COPY);
    if (response == NULL)
        return MHD_NO;
    add_headers(response, a);
    enum MHD_Result result = MHD_queue_response(connection, a->status, response);
    MHD_destroy_response(response);
    return result;
}

static const char *header(const struct exchange *x, const char *name)
{
    return MHD_lookup_connection_value(x->connection, MHD_HEADER_KIND, name);
}

static void ask(const struct exchange *x, bool late, struct answer *a)
{
    const struct request q = {
        .method = x->method,
        .path = x->path,
        .since = MHD_lookup_connection_value(x->connection, MHD_GET_ARGUMENT_KIND, "since"),
        .host = header(x, "Host"),
        .origin = header(x, "Origin"),
        .fetch_site = header(x, "Sec-Fetch-Site"),
        .fetch_mode = header(x, "Sec-Fetch-Mode"),
        .mark = header(x, "X-Chaffinch"),
        .type = header(x, "Content-Type"),
        .body = x->body.bytes,
        .body_size = x->too_long ? DESK_BODY_MAX + 1 : x->body.size,
    };
    desk_answer(x->server->desk, &q, late, a);
}

static void suspend(struct exchange *x, enum answer_state waits_for)
{
    x->waits_for = waits_for;
    x->version = x->server->desk->model.version;
    if (!x->waiting) {
        x->waiting = true;
        x->next = x->server->waiting;
        x->server->waiting = x;
    }
    MHD_suspend_connection(x->connection);
}

static void leave_list(struct exchange *x)
{
    struct exchange **at = &x->server->waiting;
    while (*at != NULL && *at != x)
        at = &(*at)->next;
    if (*at == x)
        *at = x->next;
    x->waiting = false;
}

/* Answers, or waits. */
static enum MHD_Result answer_now(struct exchange *x)
{
    struct answer a;
    bool late = now_ms() - x->asked_ms >= CHANGES_WAIT_MS;
    enum MHD_Result result = MHD_YES;
    ask(x, late, &a);
    if (a.state == ANSWER_READY)
        result = send_answer(x->connection, &a);
    else
        suspend(x, a.state);
    answer_release(&a);
    return result;
}

/* ---- requests come in ----------------------------------------------------- */

static struct line *line_of(struct MHD_Connection *connection)
{
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_SOCKET_CONTEXT);
    return info != NULL ? info->socket_context : NULL;
}

static struct exchange *start_exchange(struct server *server, struct MHD_Connection *connection,
                                       const char *path, const char *method)
{
    struct exchange *x = calloc(1, sizeof *x);
    if (x == NULL)
        return NULL;
    x->server = server;
    x->connection = connection;
    x->method = strdup(method);
    x->path = strdup(path);
    x->body = (struct str)STR_INIT;
    x->asked_ms = now_ms();
    const char *length = header(x, "Content-Length");
    x->too_long = length != NULL && strtoull(length, NULL, 10) > DESK_BODY_MAX;
    return x;
}

static enum MHD_Result take_body(struct exchange *x, const char *bytes, size_t *size)
{
    if (!x->too_long && x->body.size + *size <= DESK_BODY_MAX)
        str_append_bytes(&x->body, bytes, *size);
    else {
        x->too_long = true;
        x->excess += *size;
    }
    *size = 0;
    return x->excess <= EXCESS_MAX ? MHD_YES : MHD_NO;
}

static enum MHD_Result on_request(void *context, struct MHD_Connection *connection, const char *url,
                                  const char *method, const char *version, const char *bytes, size_t *size,
                                  void **state)
{
    struct exchange *x = *state;
    (void)version;
    if (x == NULL) {
        *state = x = start_exchange(context, connection, url, method);
        if (x == NULL || x->method == NULL || x->path == NULL)
            return MHD_NO;
        return x->too_long ? answer_now(x) : MHD_YES;
    }
    if (*size > 0)
        return take_body(x, bytes, size);
    struct line *line = line_of(connection);
    if (line != NULL)
        line->in_work = true;
    return answer_now(x);
}

static void on_completed(void *context, struct MHD_Connection *connection, void **state,
                         enum MHD_RequestTerminationCode how)
{
    struct exchange *x = *state;
    struct line *line = line_of(connection);
    (void)context;
    (void)how;
    if (line != NULL) {
        line->in_work = false;
        line->since_ms = now_ms();
    }
    if (x == NULL)
        return;
    leave_list(x);
    str_release(&x->body);
    free(x->method);
    free(x->path);
    free(x);
    *state = NULL;
}

static void on_connection(void *context, struct MHD_Connection *connection, void **socket_context,
                          enum MHD_ConnectionNotificationCode what)
{
    struct server *server = context;
    struct line *line = *socket_context;
    if (what == MHD_CONNECTION_NOTIFY_STARTED) {
        const union MHD_ConnectionInfo *info =
            MHD_get_connection_info(connection, MHD_CONNECTION_INFO_CONNECTION_FD);
        line = calloc(1, sizeof *line);
        if (line == NULL)
            return; /* served without a limit of its own */
        *line = (struct line){.server = server,
                              .next = server->lines,
                              .fd = info != NULL ? info->connect_fd : -1,
                              .since_ms = now_ms()};
        server->lines = line;
        *socket_context = line;
        return;
    }
    for (struct line **at = &server->lines; *at != NULL; at = &(*at)->next)
        if (*at == line) {
            *at = line->next;
            break;
        }
    free(line);
    *socket_context = NULL;
}

/* The path as it was sent: nothing here needs an escape, and what holds one names nothing. */
static size_t keep_escapes(void *context, struct MHD_Connection *connection, char *text)
{
    (void)context;
    (void)connection;
    return strlen(text);
}

/* ---- the loop ------------------------------------------------------------- */

/* Waiting requests are asked again when what they wait for may be there. */
static void wake(struct server *server, bool pictures)
{
    bool any = false;
    struct exchange *next;
    for (struct exchange *x = server->waiting; x != NULL; x = next) {
        next = x->next;
        bool due = x->waits_for == ANSWER_PICTURE ? pictures
                                                  : x->version != server->desk->model.version ||
                                                        now_ms() - x->asked_ms >= CHANGES_WAIT_MS;
        if (!due)
            continue;
        leave_list(x);
        MHD_resume_connection(x->connection);
        any = true;
    }
    if (any)
        (void)MHD_run(server->daemon);
}

/* Shuts what takes too long to say what it wants; libmicrohttpd then finds the end of it and cleans up. */
static void end_slow_lines(struct server *server)
{
    for (struct line *line = server->lines; line != NULL; line = line->next)
        if (!line->in_work && now_ms() - line->since_ms > server->request_ms && line->fd >= 0) {
            (void)shutdown(line->fd, SHUT_RDWR);
            line->since_ms = now_ms();
        }
}

/* A catalogue that cannot be read now (a run holds it, a disk is away) is looked at again later; the page
   goes on with what is known. Reading a large session takes most of a second: no more than a tenth of the
   time is spent on that, however often somebody writes. */
static void look_for_changes(struct server *server)
{
    bool changed;
    struct err err = ERR_INIT;
    int64_t begin = now_ms();
    if (begin < server->look_again_ms)
        return;
    end_slow_lines(server);
    bool ok = model_look(&server->desk->model, &changed, &err);
    if (!ok && !server->in_trouble)
        log_err(server->desk->log, &err);
    server->in_trouble = !ok;
    int64_t end = now_ms(), pause_ms = 9 * (end - begin);
    server->look_again_ms = end + (pause_ms > LOOK_MS ? pause_ms : LOOK_MS);
}

static bool wait_for_news(struct server *server, struct err *err)
{
    struct pollfd fds[DESCRIPTORS_MAX];
    int workers[DESCRIPTORS_MAX - 1];
    const union MHD_DaemonInfo *info = MHD_get_daemon_info(server->daemon, MHD_DAEMON_INFO_EPOLL_FD);
    MHD_UNSIGNED_LONG_LONG due_ms = ROUND_MS;
    if (info == NULL)
        return err_set(err, ERR_IO, "the server has no descriptor to wait for");
    if (MHD_get_timeout(server->daemon, &due_ms) != MHD_YES || due_ms > ROUND_MS)
        due_ms = ROUND_MS;
    size_t n = 0;
    fds[n++] = (struct pollfd){info->epoll_fd, POLLIN, 0};
    if (pictures_busy(server->desk)) {
        size_t busy = worker_descriptors(server->desk->workers, workers, DESCRIPTORS_MAX - 1);
        for (size_t i = 0; i < busy; i++)
            fds[n++] = (struct pollfd){workers[i], POLLIN, 0};
    }
    if (poll(fds, (nfds_t)n, (int)due_ms) < 0 && errno != EINTR)
        return err_sys(err, "poll", "the browser's connections");
    return true;
}

static bool serve(struct server *server, const volatile int *stop, struct err *err)
{
    while (stop == NULL || *stop == 0) {
        bool news = false;
        if (!wait_for_news(server, err))
            return false;
        (void)MHD_run(server->daemon);
        if (!desk_work(server->desk, &news, err))
            return false;
        look_for_changes(server);
        wake(server, news);
    }
    return true;
}

static bool start_daemon(struct server *server, const struct review_options *options, struct err *err)
{
    const unsigned idle_s = options->idle_s > 0 ? options->idle_s : IDLE_S;
    struct sockaddr_in here = {
        .sin_family = AF_INET, .sin_port = htons(options->port), .sin_addr = {htonl(INADDR_LOOPBACK)}};
    server->request_ms = (int64_t)idle_s * 2000;
    errno = 0;
    server->daemon = MHD_start_daemon(
        MHD_USE_EPOLL | MHD_ALLOW_SUSPEND_RESUME, 0, NULL, NULL, on_request, server, MHD_OPTION_SOCK_ADDR,
        (struct sockaddr *)&here, MHD_OPTION_CONNECTION_LIMIT, (unsigned)CONNECTIONS_MAX,
        MHD_OPTION_CONNECTION_MEMORY_LIMIT, (size_t)HEAD_MAX, MHD_OPTION_CONNECTION_TIMEOUT, idle_s,
        MHD_OPTION_NOTIFY_COMPLETED, on_completed, server, MHD_OPTION_NOTIFY_CONNECTION, on_connection,
        server, MHD_OPTION_UNESCAPE_CALLBACK, keep_escapes, server, MHD_OPTION_END);
    if (server->daemon == NULL && options->port != 0)
        return err_set(err, ERR_IO, "port %u cannot be had (%s): leave --port out to take any that is free",
                       options->port, errno != 0 ? strerror(errno) : "it is in use");
    if (server->daemon == NULL)
        return err_sys(err, "listen on", "127.0.0.1");
    return true;
}

static bool announce(struct server *server, struct single *single, const struct review_options *options,
                     struct err *err)
{
    char address[128];
    const union MHD_DaemonInfo *info = MHD_get_daemon_info(server->daemon, MHD_DAEMON_INFO_BIND_PORT);
    if (info == NULL)
        return err_set(err, ERR_IO, "the server has no port");
    desk_set_port(server->desk, info->port);
    (void)snprintf(address, sizeof address, "http://%s/%s/\n", server->desk->host[0], server->desk->token);
    if (!single_tell(single, address, err))
        return false;
    address[strcspn(address, "\n")] = '\0';
    if (options->ready != NULL && !options->ready(options->context, address, err))
        return false;
    if (options->open_browser) {
        (void)snprintf(address, sizeof address, "http://%s/%s/", server->desk->host[0], server->desk->once);
        browser_open(address);
    } else
        server->desk->once[0] = '\0';
    return true;
}

/* What still waits must go on before the daemon may end. */
static void stop_daemon(struct server *server)
{
    if (server->daemon == NULL)
        return;
    while (server->waiting != NULL) {
        struct exchange *x = server->waiting;
        leave_list(x);
        MHD_resume_connection(x->connection);
    }
    MHD_stop_daemon(server->daemon);
}

bool review_run(const struct files *fs, const char *path, struct worker_pool *workers,
                const struct review_options *options, struct log *log, const volatile int *stop,
                struct err *err)
{
    struct desk desk;
    struct single single = {.fd = -1};
    if (!desk_open(&desk, fs, path, workers, log, err))
        return false;
    struct server server = {.desk = &desk};
    bool ok = single_take(&single, &desk.session.root, err) && start_daemon(&server, options, err) &&
              announce(&server, &single, options, err);
    if (ok && desk.read_only)
        log_line(log, "for looking only: %s", desk.why_read_only);
    ok = ok && serve(&server, stop, err);
    stop_daemon(&server);
    single_release(&single);
    desk_close(&desk);
    return ok;
}
