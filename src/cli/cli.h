/*
 * cli.h - what every command of the engine shares. One thin file per command: parse, call a module, print.
 *
 * A command returns the exit status. It prints results to stdout, everything else through cli->log (stderr).
 */
#ifndef CHAFFINCH_CLI_CLI_H
#define CHAFFINCH_CLI_CLI_H

#include "chaffinch/err.h"
#include "chaffinch/files.h"
#include "chaffinch/log.h"
#include "chaffinch/options.h"
#include "chaffinch/worker.h"

struct cli {
    const struct files *fs;
    struct log *log;
    const volatile int *stop;    /* becomes non-zero on SIGINT or SIGTERM */
    struct worker_pool *workers; /* NULL unless the command's table entry asks for them */
};

struct cli_command {
    const char *name;
    int (*run)(struct cli *cli, int argc,
               char **argv); /* argv[0] is the first word after the command's name */
    bool needs_workers;
    const char *purpose; /* one line for `chaffinch --help` */
};

/* Prints the error and returns its exit status. */
int cli_fail(struct cli *cli, const struct err *err);
/* Parses; prints help or the error. False: return *status at once. */
bool cli_parse(struct cli *cli, const struct command_spec *spec, int argc, char **argv,
               struct options_arguments *arguments, int *status);
/* Flushes stdout and returns `status`, or 4 with a message when stdout could not be written (a full disk, a
 * closed pipe). */
int cli_finish(struct cli *cli, int status);

int cmd_copy(struct cli *cli, int argc, char **argv);
int cmd_measure(struct cli *cli, int argc, char **argv);
int cmd_rank(struct cli *cli, int argc, char **argv);
int cmd_run(struct cli *cli, int argc, char **argv);
int cmd_list(struct cli *cli, int argc, char **argv);
int cmd_explain(struct cli *cli, int argc, char **argv);
int cmd_decide(struct cli *cli, int argc, char **argv);
int cmd_sheet(struct cli *cli, int argc, char **argv);
int cmd_review(struct cli *cli, int argc, char **argv);
int cmd_field(struct cli *cli, int argc, char **argv);
int cmd_hand_on(struct cli *cli, int argc, char **argv);
int cmd_crop(struct cli *cli, int argc, char **argv);
int cmd_report(struct cli *cli, int argc, char **argv);
int cmd_glance(struct cli *cli, int argc, char **argv);
int cmd_area(struct cli *cli, int argc, char **argv);
int cmd_check(struct cli *cli, int argc, char **argv);

#endif
