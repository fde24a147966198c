#include "cli.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

int cli_fail(struct cli *cli, const struct err *err)
{
    /* A reader that went away, as `head` does, needs no telling; the status tells all the same. */
    if (err->sys != EPIPE || strstr(err->message, "'standard output'") == NULL)
        log_err(cli->log, err);
    return err_exit_status(err);
}

bool cli_parse(struct cli *cli, const struct command_spec *spec, int argc, char **argv,
               struct options_arguments *arguments, int *status)
{
    struct err err = ERR_INIT;
    if (!options_parse(spec, argc, argv, arguments, &err)) {
        *status = cli_fail(cli, &err);
        return false;
    }
    if (arguments->help) {
        options_help(stdout, spec);
        *status = cli_finish(cli, 0);
        return false;
    }
    return true;
}

int cli_finish(struct cli *cli, int status)
{
    struct err err = ERR_INIT;
    errno = 0;
    if (fflush(stdout) == 0 && ferror(stdout) == 0)
        return status;
    if (errno == 0)
        errno = EIO;
    err_sys(&err, "write", "standard output");
    return cli_fail(cli, &err);
}
