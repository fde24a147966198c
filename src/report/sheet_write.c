/* The sheet of a session on disk: its pictures come from the workers, the page goes to a file. */
#include "chaffinch/report.h"

#include <stdlib.h>
#include <string.h>

#include "chaffinch/publish.h"
#include "text.h"

#define DEFAULT_NAME "contact-sheet.html"

struct source {
    struct session *s;
    struct worker_pool *workers;
    session_crop_done *done;
    void *done_context;
};

static bool count_picture(void *context, size_t index, const uint8_t *jpeg, size_t size, uint32_t width_px,
                          uint32_t height_px, const char *cause, struct err *err)
{
    struct source *source = context;
    log_progress_step(source->s->log, 1, 0);
    return source->done(source->done_context, index, jpeg, size, width_px, height_px, cause, err);
}

static bool get_crops(void *context, const struct session_crop *crops, size_t n, session_crop_done *done,
                      void *done_context, struct err *err)
{
    struct source *source = context;
    source->done = done;
    source->done_context = done_context;
    log_progress_start(source->s->log, "contact sheet", n, "pictures", 0);
    bool ok = session_crops(source->s, source->workers, crops, n, count_picture, source, err);
    log_progress_end(source->s->log);
    return ok;
}

/* The folder's own name, also where the session was given as "." or through a link. */
static char *session_name(const struct session *s, struct err *err)
{
    char *real = realpath(s->root.path, NULL);
    const char *leaf = text_leaf(real != NULL ? real : s->root.path);
    char *name = strdup(leaf[0] != '\0' ? leaf : "session");
    free(real);
    if (name == NULL)
        err_nomem(err);
    return name;
}

static bool write_out(struct session *s, const char *output, const struct str *html, char **where,
                      struct err *err)
{
    *where = output != NULL ? str_make(err, "%s", output)
                            : str_make(err, "%s/" ROOT_STATE "/" DEFAULT_NAME, s->root.path);
    if (*where == NULL)
        return false;
    bool ok = output != NULL ? publish_user_file(s->root.fs, output, html->bytes, html->size, err)
                             : publish_replace(&s->root, DEFAULT_NAME, html->bytes, html->size, err) ||
                                   err_wrap(err, "the session cannot be written to (--output FILE puts the "
                                                 "sheet elsewhere)");
    if (!ok) {
        free(*where);
        *where = NULL;
    }
    return ok;
}

bool report_sheet_write(struct session *s, struct worker_pool *workers, const char *output, char **where,
                        struct err *err)
{
    struct source source = {.s = s, .workers = workers};
    struct str html = STR_INIT;
    char *name = session_name(s, err);
    const struct report_sheet_options options = {.name = name, .crops = {&source, get_crops}};
    *where = NULL;
    bool ok = name != NULL && (output == NULL || publish_user_check(s->root.fs, output, err)) &&
              report_sheet(s->catalogue, &options, &html, err) && write_out(s, output, &html, where, err);
    str_release(&html);
    free(name);
    return ok;
}
