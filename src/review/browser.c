#include "browser.h"

#include <fcntl.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

/* In a process of its own: no descriptor of ours, no output, no Ctrl-C that is meant for us. */
static void become_browser(const char *address)
{
    int null = open("/dev/null", O_RDWR);
    (void)setsid();
    (void)signal(SIGPIPE, SIG_DFL);
    for (int fd = 0; null >= 0 && fd <= STDERR_FILENO; fd++)
        (void)dup2(null, fd);
    (void)close_range(STDERR_FILENO + 1, ~0u, 0);
    (void)execlp("xdg-open", "xdg-open", address, (char *)NULL);
    _exit(127);
}

void browser_open(const char *address)
{
    if (getenv("DISPLAY") == NULL && getenv("WAYLAND_DISPLAY") == NULL)
        return;
    /* Twice, so that nobody has to wait for it. */
    pid_t child = fork();
    if (child == 0) {
        if (fork() == 0)
            become_browser(address);
        _exit(0);
    }
    if (child > 0)
        (void)waitpid(child, NULL, 0);
}
