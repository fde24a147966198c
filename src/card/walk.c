/* Opening cards and finding every regular file on them. */
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>

#include "names.h"
#include "set.h"
#include "view.h"

bool report_trouble(struct card_report *report, const char *card, const char *path, const char *message,
                    struct err *err)
{
    if (report->n_trouble == report->room_trouble) {
        size_t room = report->room_trouble > 0 ? report->room_trouble * 2 : 16;
        struct card_trouble *grown = realloc(report->trouble, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        report->trouble = grown;
        report->room_trouble = room;
    }
    struct card_trouble *t = &report->trouble[report->n_trouble];
    t->path = card != NULL ? str_make(err, "%s/%s", card, path) : str_make(err, "%s", path);
    t->message = t->path != NULL ? str_make(err, "%s", message) : NULL;
    if (t->message == NULL) {
        free(t->path);
        return false;
    }
    report->n_trouble++;
    return true;
}

void card_report_release(struct card_report *report)
{
    for (size_t i = 0; i < report->n_trouble; i++) {
        free(report->trouble[i].path);
        free(report->trouble[i].message);
    }
    free(report->trouble);
    *report = (struct card_report)CARD_REPORT_INIT;
}

struct walk {
    struct card *card;
    const struct lineage *session, *second; /* second->n = 0: none */
    struct err nomem;                       /* from `trouble`, which cannot fail */
};

static bool add_file(struct card *card, const char *path, const struct stat *st, struct err *err)
{
    if (card->n == card->room) {
        size_t room = card->room > 0 ? card->room * 2 : 256;
        struct card_file *grown = realloc(card->file, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        card->file = grown;
        card->room = room;
    }
    struct card_file *file = &card->file[card->n];
    *file = (struct card_file){
        .path = strdup(path),
        .family = names_family(path, err),
        .size = (uint64_t)st->st_size,
        .mtime_ns = files_time_ns(&st->st_mtim),
        .read_only = (st->st_mode & 0222) == 0,
    };
    card->n++;
    return file->path != NULL && file->family != NULL ? true : err_nomem(err);
}

/* A session kept on the card has its own folders at the top. Its rejects are pictures, and the person must
   know that they stay behind; its catalogue is ours. */
static bool note_own_folder(struct card *card, const char *path, struct err *err)
{
    if (strcmp(path, ROOT_REJECTS) != 0)
        return true;
    return report_trouble(&card->seen, card->shown, path,
                          "rejects of a session on the card are not copied (copy that folder as a card)",
                          err);
}

/* Also the folder that the target is to be made in: a mount of a part of the card hides that from lineages.
 */
static bool is_target(const struct lineage *target, const struct stat *st)
{
    return target->n > 0 && target->folder[0].device == st->st_dev && target->folder[0].inode == st->st_ino;
}

static bool visit(void *context, const char *path, const struct stat *st, bool *descend, struct err *err)
{
    struct walk *walk = context;
    if (S_ISREG(st->st_mode))
        return add_file(walk->card, path, st, err);
    if (!S_ISDIR(st->st_mode))
        return report_trouble(
            &walk->card->seen, walk->card->shown, path,
            S_ISLNK(st->st_mode) ? "a symbolic link is not copied" : "not a regular file, not copied", err);
    if (is_target(walk->session, st) || is_target(walk->second, st))
        return err_set(err, ERR_REFUSED, "the folder to copy to lies in the card '%s': choose another folder",
                       walk->card->shown);
    if (root_is_ours(path)) {
        *descend = false;
        return note_own_folder(walk->card, path, err);
    }
    return true;
}

static void trouble(void *context, const char *path, const struct err *err)
{
    struct walk *walk = context;
    (void)report_trouble(&walk->card->seen, walk->card->shown, path, err->message, &walk->nomem);
}

static int by_family(const void *a, const void *b)
{
    const struct card_file *x = a, *y = b;
    int order = strcmp(x->family, y->family);
    return order != 0 ? order : strcmp(x->path, y->path);
}

static bool walk_card(const struct files *view, struct walk *walk, struct err *err)
{
    const struct files_walk calls = {.context = walk, .visit = visit, .trouble = trouble};
    if (!files_walk_tree(view, walk->card->fd, &calls, err))
        return false;
    if (walk->nomem.code != ERR_NONE)
        return err_nomem(err);
    if (walk->card->n > 1)
        qsort(walk->card->file, walk->card->n, sizeof *walk->card->file, by_family);
    return true;
}

static bool open_card(const struct files *view, struct card *card, const char *path, struct err *err)
{
    char safe[400];
    struct stat st;
    *card = (struct card){.fd = -1, .seen = CARD_REPORT_INIT};
    card->shown = strdup(path);
    if (card->shown == NULL)
        return err_nomem(err);
    for (size_t n = strlen(path); n > 1 && path[n - 1] == '/'; n--)
        card->shown[n - 1] = '\0';
    /* The card itself may be reached through a link: the user named it. */
    card->fd = view->openat(view->context, AT_FDCWD, path, O_RDONLY | O_DIRECTORY | O_CLOEXEC, 0);
    if (card->fd < 0) {
        int number = errno;
        err_sys(err, "open the card", path);
        if (err != NULL && (number == ENOENT || number == ENOTDIR))
            err->code = ERR_USAGE;
        return false;
    }
    if (view->fstatat(view->context, card->fd, ROOT_STATE "/catalogue.db", &st, 0) == 0)
        return err_set(err, ERR_REFUSED,
                       "'%s' is a session and no card: the cards come first, the session comes last",
                       err_escape(safe, sizeof safe, path));
    if (view->fstat(view->context, card->fd, &st) != 0)
        return err_sys(err, "look at", err_escape(safe, sizeof safe, path));
    card->device = st.st_dev;
    card->inode = st.st_ino;
    disk_volume(view, card->fd, card->id);
    return true;
}

/* The new card against those before it and against both targets. */
static bool check_overlap(const struct card_set *set, const char *const *paths, size_t i,
                          const struct lineage *session, const struct lineage *second, struct err *err)
{
    struct lineage card, other;
    char safe[400];
    (void)err_escape(safe, sizeof safe, paths[i]);
    if (!lineage_of(&set->view, paths[i], &card, err))
        return false;
    bool ok = true;
    if (lineage_overlap(&card, session) || lineage_overlap(&card, second) ||
        lineage_holds(session, set->card[i].device, set->card[i].inode) ||
        lineage_holds(second, set->card[i].device, set->card[i].inode))
        ok = err_set(err, ERR_REFUSED,
                     "the card '%s' and a folder to copy to lie in one another: choose another folder", safe);
    for (size_t k = 0; ok && k < i; k++) {
        ok = lineage_of(&set->view, paths[k], &other, err);
        if (ok && lineage_overlap(&card, &other))
            ok = err_set(err, ERR_USAGE, "the card '%s' is given twice, or lies in another card", safe);
        lineage_release(&other);
    }
    lineage_release(&card);
    return ok;
}

static bool fill_set(struct card_set *set, const char *const *paths, size_t n, const struct lineage *session,
                     const struct lineage *second, struct err *err)
{
    char safe[400];
    for (size_t i = 0; i < n; i++) {
        struct walk walk = {.card = &set->card[i], .session = session, .second = second};
        set->n = i + 1;
        if (!open_card(&set->view, &set->card[i], paths[i], err) ||
            !check_overlap(set, paths, i, session, second, err))
            return false;
        if (!walk_card(&set->view, &walk, err))
            return false;
    }
    for (size_t i = 0; i < n; i++)
        if (set->card[i].n > 0 || set->card[i].seen.n_trouble > 0)
            return true;
    return err_set(err, ERR_USAGE, "there is no file on '%s': is it the right card?",
                   err_escape(safe, sizeof safe, paths[0]));
}

struct card_set *card_open(const struct files *fs, const char *const *cards, size_t n, const char *session,
                           const char *second, struct err *err)
{
    struct lineage at = {0}, second_at = {0};
    bool ok = false;
    struct card_set *set = calloc(1, sizeof *set);
    struct card *card = calloc(n > 0 ? n : 1, sizeof *card);
    if (set == NULL || card == NULL) {
        free(card);
        err_nomem(err);
        goto out;
    }
    set->fs = fs;
    set->card = card;
    view_init(&set->view, fs);
    if (session != NULL && !lineage_of(fs, session, &at, err))
        goto out;
    if (second != NULL && !lineage_of(fs, second, &second_at, err))
        goto out;
    if (lineage_overlap(&at, &second_at)) {
        err_set(err, ERR_REFUSED,
                "the session and the folder of the second copy lie in one another: choose another folder");
        goto out;
    }
    ok = fill_set(set, cards, n, &at, &second_at, err);
out:
    lineage_release(&at);
    lineage_release(&second_at);
    if (!ok) {
        card_close(set);
        return NULL;
    }
    return set;
}

void card_close(struct card_set *set)
{
    if (set == NULL)
        return;
    for (size_t i = 0; i < set->n; i++) {
        struct card *card = &set->card[i];
        files_drop(set->fs, card->fd);
        for (size_t k = 0; k < card->n; k++) {
            free(card->file[k].path);
            free(card->file[k].family);
        }
        free(card->file);
        free(card->shown);
        card_report_release(&card->seen);
    }
    free(set->card);
    free(set);
}

bool card_set_shares(const struct card_set *set, const struct disk *disk)
{
    for (size_t i = 0; disk->of_cards && i < set->n; i++)
        if (set->card[i].device == disk->device)
            return true;
    return false;
}

uint64_t card_count_files(const struct card_set *set)
{
    uint64_t n = 0;
    for (size_t i = 0; i < set->n; i++)
        n += set->card[i].n;
    return n;
}

uint64_t card_count_bytes(const struct card_set *set)
{
    uint64_t bytes = 0;
    for (size_t i = 0; i < set->n; i++)
        for (size_t k = 0; k < set->card[i].n; k++)
            bytes += set->card[i].file[k].size;
    return bytes;
}
