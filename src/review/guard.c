#include "guard.h"

#include <string.h>
#include <strings.h>

static bool is(const char *text, const char *wanted)
{
    return text != NULL && strcmp(text, wanted) == 0;
}

bool guard_same_token(const char *token, const char *given, size_t size)
{
    unsigned char differ = 0;
    if (size != DESK_TOKEN_SIZE - 1 || token[0] == '\0')
        return false;
    for (size_t i = 0; i < size; i++)
        differ |= (unsigned char)(token[i] ^ given[i]);
    return differ == 0;
}

/* A page of somebody else may find our port, under a name of its own that leads to 127.0.0.1. */
static bool host_is_ours(const struct desk *d, const char *host)
{
    return host != NULL && (strcasecmp(host, d->host[0]) == 0 || strcasecmp(host, d->host[1]) == 0);
}

/* The page and what it loads come from us, or from a person who typed the address. The page alone may also be
   come to by a link, as it shows nothing to whoever set the link. */
static bool fetched_by_us(const struct request *q, const char *rest)
{
    if (q->fetch_site == NULL || is(q->fetch_site, "same-origin") || is(q->fetch_site, "none"))
        return true;
    return rest[0] == '\0' && is(q->fetch_mode, "navigate");
}

static bool origin_is_ours(const struct desk *d, const struct request *q)
{
    static const char scheme[] = "http://";
    return q->origin != NULL && strncmp(q->origin, scheme, sizeof scheme - 1) == 0 &&
           host_is_ours(d, q->origin + sizeof scheme - 1);
}

static bool is_json(const char *type)
{
    static const char json[] = "application/json";
    size_t n = sizeof json - 1;
    return type != NULL && strncasecmp(type, json, n) == 0 &&
           (type[n] == '\0' || type[n] == ';' || type[n] == ' ');
}

/* Whatever changes something: X-Chaffinch is a header that no form can send and no foreign page may. */
static bool admit_post(const struct desk *d, const struct request *q, struct answer *a)
{
    if (!origin_is_ours(d, q))
        answer_error(a, 403, "a change is taken from our own page only (Origin)");
    else if (!is(q->mark, "1"))
        answer_error(a, 403, "a change is taken from our own page only (X-Chaffinch)");
    else if (!is_json(q->type))
        answer_error(a, 415, "the body must be application/json");
    else if (q->body_size > DESK_BODY_MAX)
        answer_error(a, 413, "the body is longer than 64 KiB");
    else
        return true;
    return false;
}

bool guard_admit(const struct desk *d, const struct request *q, const char **rest, struct answer *a)
{
    bool post = is(q->method, "POST");
    if (!host_is_ours(d, q->host)) {
        answer_error(a, 403, "this is not the host that was asked for");
        return false;
    }
    if (!post && !is(q->method, "GET") && !is(q->method, "HEAD")) {
        answer_error(a, 405, "GET, HEAD and POST are known here");
        return false;
    }
    size_t size = q->path[0] == '/' ? strcspn(q->path + 1, "/") : 0;
    if (!guard_same_token(d->token, q->path + 1, size) || q->path[1 + size] != '/') {
        answer_error(a, 403, "the address is not whole: open the one that 'chaffinch review' printed");
        return false;
    }
    *rest = q->path + size + 2;
    if (!fetched_by_us(q, *rest)) {
        answer_error(a, 403, "this was asked for by another page (Sec-Fetch-Site)");
        return false;
    }
    return !post || admit_post(d, q, a);
}
