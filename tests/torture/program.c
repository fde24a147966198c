#include "program.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include "tree.h"

/* The main functions of the two programs, under other names (see the Makefile). */
int engine_main(int argc, char **argv);
int apply_main(int argc, char **argv);

void *program_shared(size_t size)
{
    void *at = mmap(NULL, size, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (at == MAP_FAILED)
        tree_die("no memory to share with", "a program");
    return at;
}

_Noreturn static void be_the_program(const struct program_run *run, int out, int err)
{
    char *argv[PROGRAM_ARGS + 2] = {(char *)(uintptr_t)(run->engine ? "chaffinch" : "chaffinch-apply")};
    int argc = 1, null = open("/dev/null", O_RDONLY | O_CLOEXEC);
    for (int i = 0; i < PROGRAM_ARGS && run->args[i] != NULL; i++)
        argv[argc++] = (char *)(uintptr_t)run->args[i];
    (void)dup2(null, STDIN_FILENO);
    (void)dup2(out, STDOUT_FILENO);
    (void)dup2(err, STDERR_FILENO);
    (void)alarm(PROGRAM_WALL_S);
    if (run->beside != NULL)
        run->beside();
    if (run->prepare != NULL)
        run->prepare();
    tap_split(run->other_disk);
    tap_install(run->hooks);
    exit(run->engine ? engine_main(argc, argv) : apply_main(argc, argv));
}

static char *text_of(int fd)
{
    off_t size = lseek(fd, 0, SEEK_END);
    char *text = calloc(1, (size_t)size + 1);
    if (text == NULL || pread(fd, text, (size_t)size, 0) != size)
        tree_die("cannot read", "what a program printed");
    (void)close(fd);
    return text;
}

void program_run(const struct program_run *run, struct program_outcome *outcome)
{
    int out = memfd_create("out", MFD_CLOEXEC), err = memfd_create("err", MFD_CLOEXEC), status;
    struct rusage used;
    (void)fflush(NULL);
    pid_t child = out >= 0 && err >= 0 ? fork() : -1;
    if (child == 0)
        be_the_program(run, out, err);
    if (child < 0 || wait4(child, &status, 0, &used) != child)
        tree_die("cannot run", run->args[0]);
    *outcome = (struct program_outcome){.status = WIFEXITED(status) ? WEXITSTATUS(status) : -WTERMSIG(status),
                                        .out = text_of(out),
                                        .err = text_of(err),
                                        .peak_kb = used.ru_maxrss};
}

void program_release(struct program_outcome *outcome)
{
    free(outcome->out);
    free(outcome->err);
    *outcome = (struct program_outcome){.status = 0};
}

bool program_expect(const struct program_run *run, int status)
{
    struct program_outcome o;
    program_run(run, &o);
    bool ok = o.status == status;
    if (!ok)
        fprintf(stderr, "  %s %s ended with %d, not %d: %s%s\n",
                run->engine ? "chaffinch" : "chaffinch-apply", run->engine ? run->args[0] : run->args[1],
                o.status, status, o.out, o.err);
    program_release(&o);
    return ok;
}

char *program_text(const struct program_run *run)
{
    struct program_outcome o;
    char *text = NULL;
    program_run(run, &o);
    if (o.status == 0) {
        text = o.out;
        o.out = NULL;
    } else
        fprintf(stderr, "  %s ended with %d: %s\n", run->args[0], o.status, o.err);
    program_release(&o);
    return text;
}
