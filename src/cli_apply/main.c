/* chaffinch-apply: the only program of the two that moves or deletes a file of the user. */
#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/apply.h"
#include "chaffinch/options.h"
#include "chaffinch/str.h"
#include "print.h"

#define NOT_CONFIRMED UINT32_MAX

struct arguments {
    bool move, undo, sidecars, delete_rejects, unseen, print0;
    const char *to, *format;
    uint32_t confirm;
    int64_t older_than_s;
};

/* A signal handler can reach nothing but an object of static storage. */
static volatile int stop;

static void ask_to_stop(int number)
{
    (void)number;
    stop = 1;
}

static void catch_signals(void)
{
    struct sigaction act = {.sa_handler = ask_to_stop};
    (void)sigemptyset(&act.sa_mask);
    (void)sigaction(SIGINT, &act, NULL);
    (void)sigaction(SIGTERM, &act, NULL);
    (void)sigaction(SIGHUP, &act, NULL);
    /* A closed pipe is a failed write, with a message and exit status 4. */
    act.sa_handler = SIG_IGN;
    (void)sigaction(SIGPIPE, &act, NULL);
}

static int fail(struct log *log, const struct err *err)
{
    /* A reader that went away, as `head` does, needs no telling; the status tells all the same. */
    if (err->sys != EPIPE || strstr(err->message, "'standard output'") == NULL)
        log_err(log, err);
    return err_exit_status(err);
}

static int finish(struct log *log, int status)
{
    struct err err = ERR_INIT;
    errno = 0;
    if (fflush(stdout) == 0 && ferror(stdout) == 0)
        return status;
    if (errno == 0)
        errno = EIO;
    err_sys(&err, "write", "standard output");
    return fail(log, &err);
}

/* Options that contradict each other are told, never guessed at. */
static bool check(const struct arguments *a, struct err *err)
{
    bool acts = a->move || a->undo || a->sidecars || a->confirm != NOT_CONFIRMED;
    if (a->move + a->undo + a->sidecars + a->delete_rejects > 1)
        return err_set(err, ERR_USAGE,
                       "--move, --sidecars, --undo and --delete-rejects exclude each other: give one");
    if (a->to != NULL && (a->undo || a->sidecars || a->delete_rejects))
        return err_set(err, ERR_USAGE, "--to goes with --move (or with the plan of it)");
    if (a->to != NULL && *a->to == '\0')
        return err_set(err, ERR_USAGE, "--to needs the name of a folder");
    if (!a->delete_rejects && (a->confirm != NOT_CONFIRMED || a->unseen || a->older_than_s > 0))
        return err_set(err, ERR_USAGE, "--confirm, --older-than and --unseen go with --delete-rejects");
    if (a->format != NULL && strcmp(a->format, "table") != 0 && strcmp(a->format, "jsonl") != 0)
        return err_set(err, ERR_USAGE, "--format takes table or jsonl");
    if (acts && (a->format != NULL || a->print0))
        return err_set(
            err, ERR_USAGE,
            "--format and --print0 are for a plan: leave --move, --sidecars, --undo and --confirm out");
    if (a->format != NULL && a->print0)
        return err_set(err, ERR_USAGE, "--format and --print0 exclude each other: give one");
    return true;
}

/* The absolute path of DIR; it may be missing, its parent may not. malloc'ed. */
static char *absolute(const char *to, struct err *err)
{
    char *whole = realpath(to, NULL);
    if (whole != NULL)
        return whole;
    size_t n = strlen(to);
    while (n > 1 && to[n - 1] == '/')
        n--;
    char *copy = strndup(to, n);
    if (copy == NULL) {
        err_nomem(err);
        return NULL;
    }
    char *slash = strrchr(copy, '/');
    const char *leaf = slash != NULL ? slash + 1 : copy;
    char *parent = realpath(slash == NULL ? "." : slash == copy ? "/" : (*slash = '\0', copy), NULL);
    char safe[400];
    if (parent == NULL || strcmp(leaf, "..") == 0)
        err_set(err, ERR_USAGE, "the folder that '%s' is to be made in does not exist: make it first",
                err_escape(safe, sizeof safe, to));
    else
        whole = str_make(err, "%s/%s", strcmp(parent, "/") == 0 ? "" : parent, leaf);
    free(parent);
    free(copy);
    return whole;
}

static int show_plan(struct apply *a, const struct arguments *args, const struct apply_options *options,
                     const char *session, struct log *log)
{
    struct err err = ERR_INIT;
    bool ok = apply_plan(a, options, &err);
    if (ok && args->print0)
        ok = print_plan_names(a, &err);
    else if (ok && args->format != NULL && strcmp(args->format, "jsonl") == 0)
        ok = print_plan_jsonl(a, options, &err);
    else if (ok)
        ok = print_plan_table(a, options, session, &err);
    return ok ? apply_plan_totals(a)->failed_frames > 0 : fail(log, &err);
}

static int act(struct apply *a, const struct arguments *args, const struct apply_options *options,
               const char *session, struct log *log)
{
    struct err err = ERR_INIT;
    struct apply_result result = {.run = 0};
    bool ok = args->move       ? apply_move(a, options, &result, &err)
              : args->sidecars ? apply_sidecars(a, &result, &err)
              : args->undo     ? apply_undo(a, &result, &err)
                               : apply_delete(a, options, &result, &err);
    if (!ok)
        return fail(log, &err);
    if (args->move)
        print_moved(&result, options, session);
    else if (args->sidecars)
        print_swapped(&result, session);
    else if (args->undo)
        print_undone(&result);
    else
        print_deleted(&result);
    return result.left_frames > 0;
}

static int run(const struct arguments *args, const char *session, const char *to, struct log *log)
{
    struct err err = ERR_INIT;
    const struct apply_options options = {.action = args->delete_rejects ? APPLY_DELETE : APPLY_MOVE,
                                          .to = to,
                                          .older_than_s = args->older_than_s,
                                          .unseen = args->unseen,
                                          .confirm = args->confirm};
    bool acts = args->move || args->sidecars || args->undo || args->confirm != NOT_CONFIRMED;
    struct apply *a = apply_open(files_system(), session, acts ? APPLY_ACT : APPLY_LOOK, log, &stop, &err);
    if (a == NULL)
        return fail(log, &err);
    int status = acts ? act(a, args, &options, session, log) : show_plan(a, args, &options, session, log);
    apply_close(a);
    return status;
}

static const char purpose[] =
    "Moves the frames whose outcome is reject to SESSION/rejects/, brings frames back whose outcome became\n"
    "keep or none, and takes runs back. Without an option it prints what --move would do and changes "
    "nothing.\n"
    "Nothing is ever replaced; an interrupted run is finished by the next one.";

int main(int argc, char **argv)
{
    struct arguments args = {.confirm = NOT_CONFIRMED};
    const struct option_spec options[] = {
        {"move", OPTION_FLAG, &args.move, NULL,
         "move rejects out, bring frames back that are rejects no longer", 0, 0},
        {"to", OPTION_TEXT, &args.to, "DIR",
         "move rejects to DIR (same sub-path) instead of SESSION/rejects/", 0, 0},
        {"undo", OPTION_FLAG, &args.undo, NULL, "put the last run back (finish an interrupted run first)", 0,
         0},
        {"sidecars", OPTION_FLAG, &args.sidecars, NULL,
         "swap in the merged sidecars that 'chaffinch hand-on' prepared; the old ones are kept", 0, 0},
        {"delete-rejects", OPTION_FLAG, &args.delete_rejects, NULL,
         "print what in rejects/ can be deleted; with --confirm: delete it", 0, 0},
        {"confirm", OPTION_COUNT, &args.confirm, "COUNT", "the number of files that the plan printed last", 0,
         NOT_CONFIRMED - 1.0},
        {"older-than", OPTION_DAYS, &args.older_than_s, "AGE",
         "delete only what was moved that long ago (90d, 12h)", 0, 36500},
        {"unseen", OPTION_FLAG, &args.unseen, NULL,
         "delete also frames that no person decided and whose burst none accepted", 0, 0},
        {"format", OPTION_TEXT, &args.format, "FORMAT", "the plan as a table (default) or as jsonl", 0, 0},
        {"print0", OPTION_FLAG, &args.print0, NULL, "of the plan only the file names, each ended by a NUL", 0,
         0},
    };
    const struct command_spec spec = {
        "chaffinch-apply",
        "SESSION [--move [--to DIR] | --sidecars | --undo | --delete-rejects [--confirm COUNT]]",
        purpose,
        options,
        sizeof options / sizeof options[0],
        1,
        1};
    struct options_arguments arguments;
    struct err err = ERR_INIT;
    struct log *log = log_new(stderr, "chaffinch-apply", &err);
    char *to = NULL;
    int status;
    catch_signals();
    if (!options_parse(&spec, argc - 1, argv + 1, &arguments, &err))
        status = fail(log, &err);
    else if (arguments.help) {
        options_help(stdout, &spec);
        status = finish(log, 0);
    } else if (!check(&args, &err) || (args.to != NULL && (to = absolute(args.to, &err)) == NULL))
        status = fail(log, &err);
    else
        status = finish(log, run(&args, arguments.arg[0], to, log));
    free(to);
    log_free(log);
    return status;
}
