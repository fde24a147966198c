/* The page on which a person looks and decides. Ends with Ctrl-C. */
#include <stdio.h>

#include "chaffinch/review.h"
#include "cli.h"

/* Scripts wait for this line: it goes out at once. */
static bool print_address(void *context, const char *address, struct err *err)
{
    struct cli *cli = context;
    if (printf("%s\n", address) < 0 || fflush(stdout) != 0)
        return err_sys(err, "write", "standard output");
    log_line(cli->log,
             "the page is open for this machine only; Ctrl-C ends it, decisions are saved as they are made");
    return true;
}

int cmd_review(struct cli *cli, int argc, char **argv)
{
    uint32_t port = 0, jobs = 0;
    bool no_open = false;
    const struct option_spec table[] = {
        {"port", OPTION_COUNT, &port, "N", "serve on this port (default: any that is free)", 1, 65535},
        {"no-open", OPTION_FLAG, &no_open, NULL, "print the address and start no browser", 0, 0},
        {"jobs", OPTION_COUNT, &jobs, "N", "worker processes (default: one per processor)", 1, 256},
    };
    const struct command_spec spec = {
        "chaffinch review",
        "SESSION [--port N] [--no-open] [--jobs N]",
        "Opens a page in your browser to look at the passes and decide. It is served to this machine only, "
        "at an\naddress that nobody can guess, and works while measure still runs. It never moves a file. "
        "Ctrl-C ends it.",
        table,
        3,
        1,
        1};
    struct options_arguments arguments;
    struct err err = ERR_INIT;
    int status;
    if (!cli_parse(cli, &spec, argc, argv, &arguments, &status))
        return status;
    const struct review_options options = {
        .port = (uint16_t)port, .open_browser = !no_open, .context = cli, .ready = print_address};
    if (!review_run(cli->fs, arguments.arg[0], cli->workers, &options, cli->log, cli->stop, &err))
        return cli_fail(cli, &err);
    return cli_finish(cli, 0);
}
