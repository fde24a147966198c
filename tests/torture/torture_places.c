/*
 * Hostile names and places: a session on FAT, links and pipes on a card, links that are swapped in while a
 * command runs, a session carried to another path, two engines at once, a catalogue that is cut short or has
 * a bit flipped in any of its pages.
 *
 *     torture_places            all of it; CHAFFINCH_LONG=1: every call and every page, not a sample
 */
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "chaffinch/str.h"
#include "fat.h"
#include "fault.h"
#include "operations.h"

static bool every;

static bool say(const char *what, long n, bool ok)
{
    printf("places: %-58s %5ld times, %s\n", what, n, ok ? "all held" : "FAILED");
    (void)fflush(stdout);
    return ok;
}

/* ---- FAT ----------------------------------------------------------------------------------------------- */

enum { FAT_GRAIN_S = 2 };

static bool fat_run(const struct scene *s, enum operation op)
{
    struct program_run run = operation_command(s, op, "6");
    const struct operation_check c = {.scene = s, .op = op, .grain_ns = FAT_GRAIN_S * INT64_C(1000000000)};
    run.hooks = &fat_hooks;
    if (!program_expect(&run, 0))
        return false;
    /* Frames whose times were rounded are measured like any others, but their list differs. */
    return operation_holds(&c);
}

/* The whole night on one FAT disk. */
static bool fat_night(const struct scene *s)
{
    static const enum operation ops[] = {COPY, MEASURE, RANK, DECIDE, MOVE, UNDO};
    bool ok = true;
    scene_reset(s, STAGE_NOTHING);
    for (size_t i = 0; ok && i < sizeof ops / sizeof ops[0]; i++)
        ok = fat_run(s, ops[i]);
    const struct invariants home = {
        .scene = s, .root = s->session, .state = STATE_HOME, .grain_ns = FAT_GRAIN_S * INT64_C(1000000000)};
    return say("copy to undo on FAT", 1, ok && invariants_hold(&home));
}

/* Killed at any call there; the next run, on FAT as well, completes. */
static bool fat_kills(const struct scene *s, enum operation op)
{
    static const struct fault_kind *kill_kind;
    long kills = 0, step = every ? 1 : 19;
    bool ok = true;
    for (int k = 0; k < fault_n_kinds; k++)
        if (fault_kinds[k].way == FAULT_KILL)
            kill_kind = &fault_kinds[k];
    for (long at = 1;; at += step, kills++) {
        struct program_run run = operation_command(s, op, "6"), again = run;
        struct program_outcome o;
        const struct operation_check c = {.scene = s,
                                          .op = op,
                                          .reserved = true,
                                          .grain_ns = op == COPY ? FAT_GRAIN_S * INT64_C(1000000000) : 0};
        scene_reset(s, operation_starts_at(op));
        fault_arm(kill_kind, at);
        run.hooks = &fat_fault_hooks;
        again.hooks = &fat_hooks;
        program_run(&run, &o);
        bool met = fault_met()->tripped;
        program_release(&o);
        if (!met)
            break;
        fault_arm(kill_kind, 0);
        ok = operation_holds(&c) && program_expect(&again, 0) && operation_complete(&c);
        if (!ok) {
            fprintf(stderr, "torture: FAT: %s killed at call %ld: FAILED\n", operation_name(op), at);
            break;
        }
    }
    char what[80];
    (void)snprintf(what, sizeof what, "%s killed on FAT, then completed there", operation_name(op));
    return say(what, kills, ok);
}

/* Names that exFAT cannot hold: each is named, all else is copied. */
static bool fat_forbidden(const struct scene *s)
{
    const struct program_run copy = {
        .engine = true, .args = {"copy", s->card, s->session}, .hooks = &fat_hooks};
    struct program_outcome o;
    struct tree now;
    scene_reset(s, STAGE_NOTHING);
    fat_be_strict(true);
    program_run(&copy, &o);
    fat_be_strict(false);
    tree_read(&now, s->session, false);
    bool named = strstr(o.err, "odd\\x0aname") != NULL && strstr(o.err, "-dash\\xff\\xfe") != NULL;
    bool ok = o.status == 1 && named && tree_find(&now, "DCIM/101DEMOS/_DSC0007.JPG") != NULL &&
              tree_find(&now, "PRIVATE/clip.MOV") != NULL && strstr(o.out, "keep the card") != NULL;
    if (!ok)
        fprintf(stderr, "  ended with %d: %s%s\n", o.status, o.out, o.err);
    const struct operation_check c = {.scene = s, .op = COPY, .grain_ns = FAT_GRAIN_S * INT64_C(1000000000)};
    ok = operation_holds(&c) && ok;
    tree_release(&now);
    program_release(&o);
    return say("names that exFAT forbids", 1, ok);
}

/* ---- what else can lie on a card ----------------------------------------------------------------------- */

static void put(const char *dir, const char *name, const char *text)
{
    char *path = tree_path(dir, name);
    tree_write(path, text, strlen(text));
    free(path);
}

static bool strange_card(const struct scene *s)
{
    char *card = tree_path(s->work, "strange"), *session = tree_path(s->work, "strange-session"), name[256];
    const struct program_run copy = {.engine = true, .args = {"copy", card, session}};
    const struct program_run measure = {.engine = true, .args = {"measure", session}};
    const struct program_run copy_fat = {
        .engine = true, .args = {"copy", card, session}, .hooks = &fat_hooks};
    struct tree before, after, copied;
    bool ok = true;
    (void)mkdir(card, 0755);
    memset(name, 'n', 251);
    memcpy(name + 251, ".JPG", 5);
    put(card, name, "255 bytes of name");
    put(card, "-rf", "dash");
    put(card, "--second", "two dashes");
    put(card, "esc\x1b[2J\x07.JPG", "escape");
    put(card, "IMG_1.JPG", "large");
    put(card, "img_1.jpg", "small letters");
    put(card, "a\\b'c\"d .JPG ", "quotes");
    char *pipe = tree_path(card, "pipe.JPG"), *link_path = tree_path(card, "link.JPG"),
         *one = tree_path(card, "IMG_1.JPG"), *two = tree_path(card, "second name.JPG"),
         *loop = tree_path(card, "loop");
    ok = mkfifo(pipe, 0644) == 0 && symlink("/etc/passwd", link_path) == 0 && link(one, two) == 0 &&
         symlink(".", loop) == 0;
    tree_read(&before, card, true);
    for (int fat = 0; ok && fat < 2; fat++) {
        struct program_outcome o;
        tree_remove(session);
        program_run(fat ? &copy_fat : &copy, &o);
        tree_read(&copied, session, false);
        size_t files = 0;
        for (size_t i = 0; i < copied.n; i++) {
            ok = S_ISREG(copied.entry[i].mode) && ok;
            files++;
        }
        /* Eight regular files; the pipe and the links are left alone and told. */
        ok = ok && o.status >= 0 && o.status <= 1 && files == 8;
        if (!ok)
            fprintf(stderr, "  %s ended with %d, %zu files: %s%s\n", fat ? "copy to FAT" : "copy", o.status,
                    files, o.out, o.err);
        for (const char *p = o.err; *p != '\0' && ok; p++)
            if (*p == '\x1b' || *p == '\x07') {
                fprintf(stderr, "  a control character of a name reached the terminal\n");
                ok = false;
            }
        tree_release(&copied);
        program_release(&o);
    }
    struct program_outcome o;
    program_run(&measure, &o);
    ok = ok && o.status == 1; /* none of these is a picture; each is named */
    program_release(&o);
    tree_read(&after, card, true);
    ok = tree_same(&before, &after, true, "the strange card") && ok;
    tree_release(&before);
    tree_release(&after);
    tree_remove(card);
    tree_remove(session);
    free(pipe), free(link_path), free(one), free(two), free(loop), free(card), free(session);
    return say("pipes, links, twins and names on a card, to a disk and to FAT", 2, ok);
}

/* ---- links that are swapped in ------------------------------------------------------------------------- */

struct swap {
    long at, calls;
    bool done;
    pid_t process;
    const char *what; /* becomes a link to `to` */
    const char *to;
    const char *kept; /* where it is meanwhile */
};

static struct swap *swap; /* shared with the run */

static int swap_in(const struct tap_event *e)
{
    (void)e;
    if (++swap->calls != swap->at)
        return TAP_PASS;
    swap->done = rename(swap->what, swap->kept) == 0 && symlink(swap->to, swap->what) == 0;
    return TAP_PASS;
}

static const struct tap_hooks swap_hooks = {.before = swap_in};

/* While a command runs, a folder of the session becomes a link to somewhere else. Nothing there is touched.
 */
static bool swap_folder(const struct scene *s, enum operation op, const char *below)
{
    char *folder = tree_path(s->session, below), *outside = tree_path(s->work, "outside"),
         *kept = tree_path(s->work, "kept");
    struct tree before, after;
    long swaps = 0, step = every ? 7 : 41;
    bool ok = true;
    for (long at = 1; ok; at += step, swaps++) {
        struct program_run run = operation_command(s, op, "6");
        struct program_outcome o;
        scene_reset(s, operation_starts_at(op));
        char *inside = tree_path(s->session, below);
        tree_copy(inside, outside); /* the same names, so that it would fit */
        free(inside);
        tree_read(&before, outside, true);
        *swap = (struct swap){.at = at, .what = folder, .to = outside, .kept = kept};
        run.hooks = &swap_hooks;
        program_run(&run, &o);
        bool met = swap->calls >= at;
        tree_read(&after, outside, true);
        ok = !met || (o.status >= 0 && o.status <= 5 &&
                      tree_same(&before, &after, true, "the folder that a link leads to"));
        /* Put right again, nothing is lost and the next run completes. */
        if (met && swap->done) {
            const struct operation_check c = {.scene = s, .op = op};
            ok = unlink(folder) == 0 && rename(swap->kept, folder) == 0 && ok;
            ok = ok && operation_holds(&c) &&
                 (o.status == 0 || (operation_again(&c) && operation_complete(&c)));
        }
        if (!ok)
            fprintf(stderr, "torture: %s: '%s' swapped at call %ld: FAILED; status %d: %s\n",
                    operation_name(op), below, at, o.status, o.err);
        tree_release(&before);
        tree_release(&after);
        program_release(&o);
        if (!met)
            break;
    }
    tree_remove(outside);
    free(folder);
    free(outside);
    free(kept);
    char what[80];
    (void)snprintf(what, sizeof what, "%s: %s becomes a link under way", operation_name(op), below);
    return say(what, swaps, ok);
}

/* A file of the card becomes a link to a secret while it is copied: the secret is not copied. */
static bool swap_file(const struct scene *s)
{
    char *file = tree_path(s->card, "DCIM/100DEMOS/_DSC0002.JPG"), *secret = tree_path(s->work, "secret"),
         *kept = tree_path(s->work, "kept");
    long swaps = 0, step = every ? 7 : 61;
    bool ok = true;
    tree_write(secret, "a secret", 8);
    for (long at = 1; ok; at += step, swaps++) {
        struct program_run run = operation_command(s, COPY, "6");
        struct program_outcome o;
        struct tree now;
        scene_reset(s, STAGE_NOTHING);
        *swap = (struct swap){.at = at, .what = file, .to = secret, .kept = kept};
        run.hooks = &swap_hooks;
        program_run(&run, &o);
        bool met = swap->calls >= at;
        if (met && swap->done) {
            struct stat st;
            char *folder = tree_path(s->card, "DCIM/100DEMOS");
            ok = unlink(file) == 0 && rename(swap->kept, file) == 0;
            const struct timespec t = {.tv_sec = 1777613400 + 100 * 61, .tv_nsec = 120000000 + 100};
            const struct timespec times[2] = {t, t};
            ok = ok && stat(folder, &st) == 0 && utimensat(AT_FDCWD, folder, times, 0) == 0;
            free(folder);
        }
        tree_read(&now, s->session, false);
        const struct tree_entry *e = tree_find(&now, "DCIM/100DEMOS/_DSC0002.JPG");
        ok = ok && o.status >= 0 && o.status <= 5 && (e == NULL || (S_ISREG(e->mode) && e->size != 8));
        const struct operation_check c = {.scene = s, .op = COPY};
        ok = ok && operation_again(&c) && operation_complete(&c);
        if (!ok)
            fprintf(stderr, "torture: a file of the card swapped at call %ld: FAILED; status %d: %s\n", at,
                    o.status, o.err);
        tree_release(&now);
        program_release(&o);
        if (!met)
            break;
    }
    free(file);
    free(secret);
    free(kept);
    return say("copy: a file of the card becomes a link under way", swaps, ok);
}

/* ---- carried, and two at once -------------------------------------------------------------------------- */

static bool carried(const struct scene *s)
{
    char *elsewhere = tree_path(s->work, "elsewhere");
    struct scene there = *s;
    there.session = elsewhere;
    const struct operation_check c = {.scene = &there, .op = UNDO, .folder_times = true};
    tree_remove(elsewhere);
    scene_reset(s, STAGE_MOVED);
    bool ok = rename(s->session, elsewhere) == 0 && operation_again(&c) && operation_complete(&c);
    tree_remove(elsewhere);
    free(elsewhere);
    return say("a session carried to another path, undone there", 1, ok);
}

static int stop_there(const struct tap_event *e)
{
    (void)e;
    swap->process = getpid();
    if (++swap->calls == swap->at)
        (void)kill(getpid(), SIGSTOP);
    return TAP_PASS;
}

static const struct tap_hooks stop_hooks = {.before = stop_there};

/* `first` is stopped in the middle; `second` meets it there and is refused, `decide` is not. */
static bool two_at_once(const struct scene *s, enum operation first, enum operation second)
{
    struct program_run run = operation_command(s, first, "6");
    int status;
    *swap = (struct swap){.at = 150};
    scene_reset(s, operation_starts_at(first));
    run.hooks = &stop_hooks;
    (void)fflush(NULL);
    pid_t child = fork();
    if (child == 0) {
        struct program_outcome o;
        /* The run is a child of this one: both stop. */
        program_run(&run, &o);
        _exit(o.status >= 0 ? o.status : 99);
    }
    while (swap->calls < 150 && waitpid(child, &status, WNOHANG) == 0)
        (void)usleep(1000);
    (void)usleep(20000);
    const struct program_run other = operation_command(s, second, "6");
    const struct program_run list = {.engine = true, .args = {"list", s->session}};
    bool ok = swap->calls >= 150 && program_expect(&other, 3) && (first == COPY || program_expect(&list, 0));
    (void)kill(swap->process, SIGCONT);
    ok = waitpid(child, &status, 0) == child && WIFEXITED(status) && WEXITSTATUS(status) == 0 && ok;
    const struct operation_check c = {.scene = s, .op = first};
    ok = ok && operation_holds(&c) && operation_complete(&c);
    char what[80];
    (void)snprintf(what, sizeof what, "%s while %s is at work", operation_name(second),
                   operation_name(first));
    return say(what, 1, ok);
}

/* ---- a damaged catalogue ------------------------------------------------------------------------------- */

static bool list_matches(const struct scene *s, enum stage stage)
{
    const struct program_run list = {.engine = true,
                                     .args = {"list", s->session, "--frames", "--format", "csv"}};
    struct program_outcome o;
    program_run(&list, &o);
    bool same = o.status == 0 && strcmp(o.out, s->list[stage]) == 0;
    program_release(&o);
    return same;
}

/* Found, or harmless; then built anew from pictures and logs, with every decision, and the move is taken
 * back. */
static bool rebuilt(const struct scene *s, bool empty)
{
    const struct program_run check = {.engine = true, .args = {"check", s->session}};
    const struct program_run measure = {.engine = true, .args = {"measure", s->session, "--jobs", "1"}};
    const struct program_run rank = {.engine = true, .args = {"rank", s->session}};
    const struct program_run undo = {.args = {s->session, "--undo"}};
    struct program_outcome o;
    program_run(&check, &o);
    /* An empty file is none: whatever needs the catalogue says "not measured yet". */
    bool found = o.status == 5, ok = found || (o.status == 0 && (empty || list_matches(s, STAGE_MOVED)));
    if (!ok)
        fprintf(stderr, "  check ended with %d and the list differs: %s%s\n", o.status, o.out, o.err);
    program_release(&o);
    char *path = tree_path(s->session, ".chaffinch/catalogue.db");
    ok = ok && remove(path) == 0 && program_expect(&undo, 0) && program_expect(&measure, 0) &&
         program_expect(&rank, 0) && list_matches(s, STAGE_DECIDED);
    const struct invariants home = {.scene = s, .root = s->session, .state = STATE_HOME};
    free(path);
    return ok && invariants_hold(&home);
}

static bool damage(const struct scene *s, long page, int way)
{
    char *path = tree_path(s->session, ".chaffinch/catalogue.db");
    int fd = open(path, O_RDWR | O_CLOEXEC);
    unsigned char byte;
    off_t at = page * 4096 + (way == 1 ? 0 : way == 2 ? 7 : 4096 - 200);
    bool ok = fd >= 0 && (way == 0 ? ftruncate(fd, page * 4096) == 0 : pread(fd, &byte, 1, at) == 1);
    byte ^= (unsigned char)(1u << page % 8);
    ok = ok && (way == 0 || pwrite(fd, &byte, 1, at) == 1);
    (void)close(fd);
    free(path);
    return ok;
}

static bool damaged_catalogues(const struct scene *s)
{
    char *path = tree_path(s->stage[STAGE_MOVED], ".chaffinch/catalogue.db");
    struct stat st;
    long pages = stat(path, &st) == 0 ? st.st_size / 4096 : 0, times = 0, step = every ? 1 : 9;
    bool ok = pages > 0;
    for (long page = 0; ok && page < pages; page += step)
        for (int way = 0; ok && way < 4; way++, times++) {
            scene_reset(s, STAGE_MOVED);
            ok = damage(s, page, way) && rebuilt(s, page == 0 && way == 0);
            if (!ok)
                fprintf(stderr, "torture: page %ld of %ld %s: FAILED\n", page, pages,
                        way == 0 ? "cut off" : "with a bit flipped");
        }
    free(path);
    return say("a page of the catalogue cut off or with a bit flipped, rebuilt", times, ok);
}

int main(void)
{
    static struct scene s;
    every = getenv("CHAFFINCH_LONG") != NULL;
    swap = program_shared(sizeof *swap);
    scene_make(&s, "places");
    bool ok = fat_night(&s);
    ok = fat_forbidden(&s) && ok;
    ok = fat_kills(&s, COPY) && ok;
    ok = fat_kills(&s, MOVE) && ok;
    ok = fat_kills(&s, UNDO) && ok;
    ok = strange_card(&s) && ok;
    ok = swap_folder(&s, MOVE, "DCIM/100DEMOS") && ok;
    ok = swap_folder(&s, UNDO, "rejects") && ok;
    ok = swap_folder(&s, DELETE, "rejects/DCIM/100DEMOS") && ok;
    ok = swap_folder(&s, MEASURE, "DCIM/101DEMOS") && ok;
    ok = swap_file(&s) && ok;
    ok = carried(&s) && ok;
    ok = two_at_once(&s, MEASURE, MOVE) && ok;
    ok = two_at_once(&s, MOVE, MEASURE) && ok;
    ok = two_at_once(&s, COPY, COPY) && ok;
    ok = damaged_catalogues(&s) && ok;
    printf("places: %s%s\n", ok ? "all held" : "FAILED", every ? "" : " (a sample; all: CHAFFINCH_LONG=1)");
    scene_free(&s);
    return !ok;
}
