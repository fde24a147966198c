/* What a path asks for. Names are compared whole: nothing here opens a file by a name that was sent. */
#include <string.h>

#include "guard.h"
#include "handlers.h"
#include "page_files.h"

static const struct route {
    const char *name; /* one that ends in a slash goes on */
    bool post;
    handler *handle;
} routes[] = {
    {"api/session", false, show_session},
    {"api/burst/", false, show_burst},
    {"api/changes", false, show_changes},
    {"api/areas", false, show_areas},
    {"api/shortlist", false, show_shortlist},
    {"api/apply", false, show_apply},
    {"api/place", false, show_place},
    {"picture/background/", false, show_background},
    {"picture/", false, show_picture},
    {"api/decide", true, do_decide},
    {"api/accept", true, do_accept},
    {"api/undo", true, do_undo},
    {"api/shortlist", true, do_shortlist},
    {"api/recall", true, do_recall},
    {"api/area", true, do_area},
    {"api/area/remove", true, do_remove_area},
    {"api/place", true, do_place},
    {"api/prepare", true, do_prepare},
    {"api/settings", false, show_settings},
    {"api/settings", true, do_settings},
};

static bool matches(const struct route *route, const char *path, const char **rest)
{
    size_t n = strlen(route->name);
    if (strncmp(path, route->name, n) != 0 || (route->name[n - 1] != '/' && path[n] != '\0'))
        return false;
    *rest = path + n;
    return true;
}

static bool show_file(const char *name, struct answer *a)
{
    const struct page_file *file = page_file_find(name[0] != '\0' ? name : "index.html");
    if (file == NULL)
        return false;
    a->status = 200;
    a->type = file->type;
    a->fixed = file->bytes;
    a->fixed_size = file->size;
    return true;
}

/* The browser is started with an address that works once, since every user of the machine can read the
   command line of a process. */
static bool open_once(struct desk *d, const struct request *q, struct answer *a)
{
    size_t size = q->path[0] == '/' ? strcspn(q->path + 1, "/") : 0;
    if (q->host == NULL || (strcmp(q->host, d->host[0]) != 0 && strcmp(q->host, d->host[1]) != 0) ||
        strcmp(q->method, "GET") != 0 || !guard_same_token(d->once, q->path + 1, size) ||
        strcmp(q->path + 1 + size, "/") != 0)
        return false;
    d->once[0] = '\0';
    a->status = 303;
    a->type = "text/plain; charset=utf-8";
    a->location = d->token;
    return true;
}

static void find_route(struct desk *d, const struct request *q, const char *path, bool late, struct answer *a)
{
    bool post = strcmp(q->method, "POST") == 0, other_method = false;
    for (size_t i = 0; i < sizeof routes / sizeof routes[0]; i++) {
        struct asked asked = {.request = q, .late = late};
        if (!matches(&routes[i], path, &asked.rest))
            continue;
        if (routes[i].post == post) {
            routes[i].handle(d, &asked, a);
            return;
        }
        other_method = true;
    }
    if (!post && show_file(path, a))
        return;
    if (other_method)
        answer_error(a, 405, "this is asked for with the other method");
    else
        answer_error(a, 404, "there is nothing here");
}

void desk_answer(struct desk *d, const struct request *q, bool late, struct answer *a)
{
    const char *path;
    *a = (struct answer){.body = STR_INIT};
    if (open_once(d, q, a) || !guard_admit(d, q, &path, a))
        return;
    find_route(d, q, path, late, a);
    if (a->body.failed)
        answer_error(a, 503, "out of memory");
}
