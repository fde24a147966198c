/*
 * requests.h - any bytes become a request to the desk of review: for the fuzzer and for the short run of it
 * in the unit tests.
 *
 * The bytes are lines: method, path, then "Name: value" headers, an empty line, the body. "TOKEN" and "HOST"
 * stand for the right ones, since no fuzzer guesses 128 bits.
 */
#ifndef FUZZ_REQUESTS_H
#define FUZZ_REQUESTS_H

#include <stdlib.h>
#include <string.h>

#include "../../src/review/desk.h"

enum { REQUEST_LINES = 12, REQUEST_MAX = 4096 };

struct parsed_request {
    struct request request;
    char *text; /* the bytes, cut into lines */
    char path[REQUEST_MAX + DESK_TOKEN_SIZE];
    char host[64]; /* in place of "HOST" */
    char origin[80];
};

static inline const char *with_token(struct parsed_request *p, const struct desk *d, const char *path)
{
    static const char word[] = "/TOKEN";
    if (strncmp(path, word, sizeof word - 1) != 0)
        return path;
    (void)snprintf(p->path, sizeof p->path, "/%s%s", d->token, path + sizeof word - 1);
    return p->path;
}

static inline const char *value_of(const char *line, const char *name)
{
    size_t n = strlen(name);
    return strncmp(line, name, n) == 0 && line[n] == ':' ? line + n + 1 + (line[n + 1] == ' ') : NULL;
}

static inline void take_header(struct parsed_request *p, const struct desk *d, const char *line)
{
    struct request *q = &p->request;
    const struct {
        const char *name, **to;
    } headers[] = {{"Host", &q->host},
                   {"Origin", &q->origin},
                   {"Sec-Fetch-Site", &q->fetch_site},
                   {"Sec-Fetch-Mode", &q->fetch_mode},
                   {"X-Chaffinch", &q->mark},
                   {"Content-Type", &q->type},
                   {"Since", &q->since}};
    for (size_t i = 0; i < sizeof headers / sizeof headers[0]; i++) {
        const char *value = value_of(line, headers[i].name);
        if (value != NULL)
            *headers[i].to = value;
    }
    if (q->host != NULL && strcmp(q->host, "HOST") == 0)
        q->host = d->host[0];
    if (q->origin != NULL && strcmp(q->origin, "http://HOST") == 0) {
        (void)snprintf(p->origin, sizeof p->origin, "http://%s", d->host[0]);
        q->origin = p->origin;
    }
}

/* False where the bytes do not begin as a request does. */
static inline bool parse_request(struct parsed_request *p, const struct desk *d, const uint8_t *bytes,
                                 size_t size)
{
    *p = (struct parsed_request){.text = calloc(1, size + 1)};
    if (p->text == NULL)
        return false;
    memcpy(p->text, bytes, size);
    char *at = p->text, *end = p->text + size;
    for (int line = 0; at < end; line++) {
        char *newline = memchr(at, '\n', (size_t)(end - at));
        if (newline == NULL)
            newline = end;
        *newline = '\0';
        if (line == 0)
            p->request.method = at;
        else if (line == 1)
            p->request.path = strlen(at) < REQUEST_MAX ? with_token(p, d, at) : at;
        else if (at == newline) {
            p->request.body = newline < end ? newline + 1 : newline;
            p->request.body_size = newline < end ? (size_t)(end - newline - 1) : 0;
            break;
        } else
            take_header(p, d, at);
        at = newline + 1;
    }
    return p->request.method != NULL && p->request.path != NULL;
}

/* Whatever the bytes are: there is an answer with a status that fits, and the desk goes on. */
static inline unsigned answer_bytes(struct desk *d, const uint8_t *bytes, size_t size)
{
    struct parsed_request p;
    struct answer a;
    bool news;
    unsigned status = 0;
    if (parse_request(&p, d, bytes, size)) {
        desk_answer(d, &p.request, false, &a);
        status = a.state == ANSWER_READY ? a.status : 200;
        if (status < 200 || status > 507 || (a.state == ANSWER_READY && a.type == NULL))
            abort();
        answer_release(&a);
        (void)desk_work(d, &news, NULL);
    }
    free(p.text);
    return status;
}

#endif
