#include "desk.h"

#include <errno.h>
#include <pwd.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <unistd.h>

#include "json.h"
#include "pictures.h"

/* ---- answers -------------------------------------------------------------- */

void answer_release(struct answer *a)
{
    str_release(&a->body);
}

void answer_json(struct answer *a)
{
    a->status = 200;
    a->type = "application/json; charset=utf-8";
}

void answer_error(struct answer *a, unsigned status, const char *format, ...)
{
    char text[ERR_MESSAGE_SIZE];
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    str_release(&a->body);
    *a = (struct answer){.body = STR_INIT};
    answer_json(a);
    a->status = status;
    str_append(&a->body, "{\"error\":");
    json_text(&a->body, text);
    str_append(&a->body, "}\n");
}

void answer_err(struct answer *a, const struct err *err)
{
    unsigned status = 500;
    if (err->code == ERR_USAGE)
        status = 400;
    else if (err->code == ERR_FORMAT || err->code == ERR_FILE || err->code == ERR_NOT_FOUND)
        status = 404;
    else if (err->code == ERR_REFUSED || err->code == ERR_EXISTS)
        status = 409;
    else if (err->code == ERR_NO_SPACE)
        status = 507;
    else if (err->code == ERR_NOMEM)
        status = 503;
    answer_error(a, status, "%s", err->message);
}

void answer_version(const struct desk *d, struct answer *a)
{
    answer_json(a);
    str_printf(&a->body, "{\"version\":%lld", (long long)d->model.version);
}

/* ---- the desk ------------------------------------------------------------- */

static bool make_token(char token[DESK_TOKEN_SIZE], struct err *err)
{
    unsigned char bytes[(DESK_TOKEN_SIZE - 1) / 2];
    if (getrandom(bytes, sizeof bytes, 0) != (ssize_t)sizeof bytes)
        return err_sys(err, "get random bytes for", "the address");
    for (size_t i = 0; i < sizeof bytes; i++)
        (void)snprintf(token + 2 * i, 3, "%02x", bytes[i]);
    return true;
}

/* As chaffinch decide has it, so that both take back the same acts. */
static void who_decides(char who[64])
{
    const struct passwd *user = getpwuid(getuid());
    if (user != NULL && user->pw_name != NULL && user->pw_name[0] != '\0')
        (void)snprintf(who, 64, "%s", user->pw_name);
    else
        (void)snprintf(who, 64, "%lu", (unsigned long)getuid());
}

static char *folder_name(const char *path, struct err *err)
{
    char *real = realpath(path, NULL);
    const char *whole = real != NULL ? real : path, *slash = strrchr(whole, '/');
    char *name = strdup(slash != NULL && slash[1] != '\0' ? slash + 1 : whole);
    free(real);
    if (name == NULL)
        err_nomem(err);
    return name;
}

/* For writing where that can be, else for looking. A session that was never measured stays untouched. */
static bool open_catalogue(struct desk *d, struct err *err)
{
    struct stat st;
    struct err trouble = ERR_INIT;
    struct session *s = &d->session;
    const struct files *fs = s->root.fs;
    bool there = s->root.state >= 0 && fs->fstatat(fs->context, s->root.state, "catalogue.db", &st, 0) == 0;
    if (there && (s->catalogue = catalogue_open(&s->root, CATALOGUE_WRITE, &trouble)) != NULL)
        return true;
    if (there && trouble.code != ERR_IO)
        return err_set(err, trouble.code, "%s", trouble.message);
    s->catalogue = catalogue_open(&s->root, CATALOGUE_READ, err);
    d->read_only = s->catalogue != NULL;
    (void)snprintf(d->why_read_only, sizeof d->why_read_only, "%.299s", trouble.message);
    return s->catalogue != NULL;
}

bool desk_open(struct desk *d, const struct files *fs, const char *path, struct worker_pool *workers,
               struct log *log, struct err *err)
{
    *d = (struct desk){.workers = workers, .log = log, .session = {.log = log}};
    who_decides(d->who);
    if (root_open(&d->session.root, fs, path, false, false, err) && open_catalogue(d, err) &&
        make_token(d->token, err) && make_token(d->once, err) && (d->name = folder_name(path, err)) != NULL &&
        model_load(&d->model, d->session.catalogue, err) && (d->pictures = pictures_new(err)) != NULL)
        return true;
    desk_close(d);
    return false;
}

void desk_close(struct desk *d)
{
    pictures_free(d->pictures);
    model_release(&d->model);
    catalogue_close(d->session.catalogue);
    if (d->session.root.fs != NULL)
        root_close(&d->session.root);
    free(d->name);
    *d = (struct desk){0};
}

void desk_set_port(struct desk *d, uint16_t port)
{
    (void)snprintf(d->host[0], sizeof d->host[0], "127.0.0.1:%u", port);
    (void)snprintf(d->host[1], sizeof d->host[1], "localhost:%u", port);
}

bool desk_work(struct desk *d, bool *news, struct err *err)
{
    return pictures_work(d, news, err);
}
