/* chaffinch: the engine. It proposes; it cannot move or delete a picture. */
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/session.h"
#include "cli.h"

/* The one thing a signal handler can reach. */
static volatile sig_atomic_t stop_signal;

static void on_signal(int number)
{
    __atomic_store_n(&stop_signal, number, __ATOMIC_RELAXED);
}

static const struct cli_command commands[] = {
    {"run", cmd_run, true, "empty a card, measure, rank and make the contact sheet: the whole night's work"},
    {"copy", cmd_copy, true,
     "copy a card into a session, verified, and say whether the card may be formatted"},
    {"check", cmd_check, false, "read a session again and compare it with what was copied"},
    {"measure", cmd_measure, true, "find the frames and bursts of a session and measure every frame once"},
    {"rank", cmd_rank, false, "find the subjects, score their sharpness, propose keep or reject"},
    {"list", cmd_list, false, "print bursts or frames, for people or for scripts"},
    {"explain", cmd_explain, true, "say why a frame stands where it stands"},
    {"decide", cmd_decide, false, "record a person's keep or reject; it always wins"},
    {"area", cmd_area, false, "mark a part of the picture that is ignored, or kept out of crops"},
    {"review", cmd_review, true, "open a page to look at the passes and decide"},
    {"field", cmd_field, true, "work out depth of field, background, motion blur and timing beforehand"},
    {"sheet", cmd_sheet, true, "write the contact sheet"},
    {"glance", cmd_glance, true, "look at the last bursts of a card, between two passes"},
    {"report", cmd_report, true, "say what a session teaches for the next one"},
    {"crop", cmd_crop, true, "cut the kept frames around their subject, losing nothing"},
    {"hand-on", cmd_hand_on, true, "write what was decided as XMP sidecars for other programs"},
};
enum { N_COMMANDS = sizeof commands / sizeof commands[0] };

static void print_help(FILE *out)
{
    (void)fputs(
        "usage: chaffinch COMMAND [ARGUMENTS]\n\n"
        "Finds the few sharp frames in bursts of a moving animal. It proposes and never moves or deletes\n"
        "a picture: 'chaffinch-apply SESSION' does that, after you have looked.\n\n",
        out);
    for (size_t i = 0; i < N_COMMANDS; i++)
        (void)fprintf(out, "  %-9s %s\n", commands[i].name, commands[i].purpose);
    (void)fputs(
        "\n'chaffinch COMMAND --help' tells more. Exit status: 0 done, 1 some files failed, 2 usage,\n"
        "3 refused for safety, 4 input or output error, 5 damaged catalogue.\n",
        out);
}

static const struct cli_command *find_command(const char *name)
{
    for (size_t i = 0; i < N_COMMANDS; i++)
        if (strcmp(commands[i].name, name) == 0)
            return &commands[i];
    return NULL;
}

/* The workers are forked before options are parsed and before a database or a thread exists, so --jobs is
   looked for here; the command's own table checks its value. */
static unsigned jobs_asked(int argc, char **argv)
{
    for (int i = 0; i < argc; i++) {
        const char *value = NULL;
        if (strcmp(argv[i], "--") == 0)
            break;
        if (strncmp(argv[i], "--jobs=", 7) == 0)
            value = argv[i] + 7;
        else if (strcmp(argv[i], "--jobs") == 0 && i + 1 < argc)
            value = argv[i + 1];
        long n = value != NULL ? strtol(value, NULL, 10) : 0;
        if (n >= 1 && n <= 256)
            return (unsigned)n;
    }
    return 0;
}

static void catch_signals(void)
{
    struct sigaction action = {.sa_handler = on_signal};
    (void)sigaction(SIGINT, &action, NULL);
    (void)sigaction(SIGTERM, &action, NULL);
    (void)sigaction(SIGHUP, &action, NULL);
    /* A closed pipe is an error of stdout like any other: exit status 4. */
    action.sa_handler = SIG_IGN;
    (void)sigaction(SIGPIPE, &action, NULL);
}

static bool help_only(int argc, char **argv)
{
    return argc > 0 && (strcmp(argv[argc - 1], "--help") == 0 || strcmp(argv[argc - 1], "-h") == 0);
}

static int run_command(struct cli *cli, const struct cli_command *command, int argc, char **argv)
{
    struct err err = ERR_INIT;
    struct worker_config config = {.handler = session_worker, .workers = jobs_asked(argc, argv)};
    if (command->needs_workers && !help_only(argc, argv)) {
        cli->workers = worker_pool_start(&config, &err);
        if (cli->workers == NULL)
            return cli_fail(cli, &err);
    }
    int status = command->run(cli, argc, argv);
    worker_pool_stop(cli->workers);
    return status;
}

int main(int argc, char **argv)
{
    struct err err = ERR_INIT;
    struct cli cli = {.fs = files_system(), .stop = &stop_signal};
    const struct cli_command *command = argc > 1 ? find_command(argv[1]) : NULL;
    cli.log = log_new(stderr, "chaffinch", &err);
    int status = 2;
    if (cli.log == NULL) {
        (void)fputs("chaffinch: out of memory\n", stderr);
        return 4;
    }
    catch_signals();
    if (command != NULL)
        status = run_command(&cli, command, argc - 2, argv + 2);
    else if (argc > 1 &&
             (strcmp(argv[1], "--help") == 0 || strcmp(argv[1], "-h") == 0 || strcmp(argv[1], "help") == 0)) {
        print_help(stdout);
        status = cli_finish(&cli, 0);
    } else if (argc > 1 && strcmp(argv[1], "--version") == 0) {
        (void)puts("chaffinch " CHAFFINCH_VERSION);
        status = cli_finish(&cli, 0);
    } else if (argc > 1) {
        char safe[200];
        log_line(cli.log, "unknown command '%s': 'chaffinch --help' lists them",
                 err_escape(safe, sizeof safe, argv[1]));
    } else
        print_help(stderr);
    log_free(cli.log);
    return status;
}
