/*
 * desk.h - what answers requests, without a socket: a request goes in as plain fields, an answer comes out.
 *
 * Everything that comes over the wire passes desk_answer, so that it can be tested and fuzzed by itself.
 * Order: who asks (guard.c), what for (routes.c), then a handler.
 *
 * Ownership: strings of a request stay the caller's. An answer owns its body (answer_release); `fixed` points
 * to static bytes, or to a picture in the cache that is valid until the next call of anything here.
 */
#ifndef CHAFFINCH_REVIEW_DESK_H
#define CHAFFINCH_REVIEW_DESK_H

#include "chaffinch/review.h"
#include "chaffinch/session.h"
#include "chaffinch/str.h"
#include "model.h"

enum { DESK_BODY_MAX = 64 << 10, DESK_TOKEN_SIZE = 33, DESK_HOST_SIZE = 32 };

struct request {
    const char *method, *path; /* the path as it was sent, without the query */
    const char *since;         /* of the query; NULL = not there, as are the others */
    const char *host, *origin, *fetch_site, *fetch_mode;
    const char *mark; /* the header X-Chaffinch */
    const char *type; /* the header Content-Type */
    const char *body;
    size_t body_size;
};

enum answer_state {
    ANSWER_READY,
    ANSWER_CHANGES, /* nothing has changed yet: ask again when it has, or answer after a while with `late` */
    ANSWER_PICTURE  /* the picture is being made: ask again when desk_work says so */
};

struct answer {
    enum answer_state state;
    unsigned status;
    const char *type;
    struct str body;
    const void *fixed; /* instead of the body */
    size_t fixed_size;
    const char *location; /* of a redirect: below the root */
    bool may_be_kept;     /* by the browser: a picture never changes */
};
void answer_release(struct answer *a);

struct pictures;
struct desk {
    struct session session; /* its root and catalogue */
    struct worker_pool *workers;
    struct log *log;
    bool read_only;
    char why_read_only[300];
    char token[DESK_TOKEN_SIZE];
    char once[DESK_TOKEN_SIZE]; /* opens the page one time; "" = used up */
    char host[2][DESK_HOST_SIZE];
    char who[64];
    char *name; /* of the session's folder */
    struct model model;
    struct pictures *pictures;
};

/* Opens the catalogue; decisions are refused where it cannot be written. */
bool desk_open(struct desk *d, const struct files *fs, const char *path, struct worker_pool *workers,
               struct log *log, struct err *err);
void desk_close(struct desk *d);
/* The address is known: requests must name it. */
void desk_set_port(struct desk *d, uint16_t port);

/* `late` = no more waiting for changes. Never fails: what goes wrong becomes the answer. */
void desk_answer(struct desk *d, const struct request *q, bool late, struct answer *a);
/* To be called when descriptors of the workers are readable, and a few times a second. *news = true if
   waiting requests should be asked again. */
bool desk_work(struct desk *d, bool *news, struct err *err);

/* ---- for the handlers ---- */

void answer_json(struct answer *a);
void answer_error(struct answer *a, unsigned status, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
/* The status that fits the code. */
void answer_err(struct answer *a, const struct err *err);
/* `{"version":N` and what the caller adds before it closes the brace. */
void answer_version(const struct desk *d, struct answer *a);

#endif
