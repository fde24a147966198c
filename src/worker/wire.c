/*
 * wire.c - whole messages over stream sockets, whatever the kernel's buffers hold.
 */
#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/uio.h>
#include <unistd.h>

#include "wire.h"

/* Room for a control message with as many descriptors as there may be, aligned as cmsghdr needs. */
union control {
    struct cmsghdr align;
    char bytes[CMSG_SPACE(WORKER_MAX_FDS * sizeof(int))];
};

bool wire_pair(int pair[2])
{
    int low[2];
    if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, low) != 0)
        return false;
    pair[0] = fcntl(low[0], F_DUPFD_CLOEXEC, 3);
    pair[1] = fcntl(low[1], F_DUPFD_CLOEXEC, 3);
    int saved = errno;
    close(low[0]);
    close(low[1]);
    if (pair[0] >= 0 && pair[1] >= 0)
        return true;
    if (pair[0] >= 0)
        close(pair[0]);
    errno = saved;
    return false;
}

static void attach(struct msghdr *message, union control *control, const int *fds, size_t n_fds)
{
    memset(control, 0, sizeof *control);
    message->msg_control = control->bytes;
    message->msg_controllen = CMSG_SPACE(n_fds * sizeof(int));
    struct cmsghdr *c = CMSG_FIRSTHDR(message);
    c->cmsg_level = SOL_SOCKET;
    c->cmsg_type = SCM_RIGHTS;
    c->cmsg_len = CMSG_LEN(n_fds * sizeof(int));
    memcpy(CMSG_DATA(c), fds, n_fds * sizeof(int));
}

/* Moves the parts on by what was sent. */
static void advance(struct msghdr *message, size_t sent)
{
    while (message->msg_iovlen > 0 && sent >= message->msg_iov->iov_len) {
        sent -= message->msg_iov->iov_len;
        message->msg_iov++;
        message->msg_iovlen--;
    }
    if (message->msg_iovlen > 0) {
        message->msg_iov->iov_base = (char *)message->msg_iov->iov_base + sent;
        message->msg_iov->iov_len -= sent;
    }
    message->msg_control = NULL; /* the descriptors went with the first bytes */
    message->msg_controllen = 0;
}

bool wire_send(int fd, const struct wire_header *header, const void *bytes, const int *fds, size_t n_fds)
{
    struct iovec part[2] = {{(void *)(uintptr_t)header, sizeof *header},
                            {(void *)(uintptr_t)bytes, (size_t)header->size}};
    struct msghdr message = {.msg_iov = part, .msg_iovlen = header->size > 0 ? 2 : 1};
    union control control;
    if (n_fds > 0)
        attach(&message, &control, fds, n_fds);
    while (message.msg_iovlen > 0) {
        ssize_t n = sendmsg(fd, &message, MSG_NOSIGNAL);
        if (n < 0 && errno != EINTR)
            return false;
        if (n >= 0)
            advance(&message, (size_t)n);
    }
    return true;
}

bool wire_receive(int fd, void *bytes, size_t size)
{
    for (size_t have = 0; have < size;) {
        ssize_t n = recv(fd, (char *)bytes + have, size - have, 0);
        if (n == 0 || (n < 0 && errno != EINTR))
            return false;
        if (n > 0)
            have += (size_t)n;
    }
    return true;
}

static void detach(struct msghdr *message, int fds[WORKER_MAX_FDS], size_t *n_fds)
{
    for (struct cmsghdr *c = CMSG_FIRSTHDR(message); c != NULL; c = CMSG_NXTHDR(message, c)) {
        if (c->cmsg_level != SOL_SOCKET || c->cmsg_type != SCM_RIGHTS)
            continue;
        size_t n = (c->cmsg_len - CMSG_LEN(0)) / sizeof(int);
        *n_fds = n < WORKER_MAX_FDS ? n : WORKER_MAX_FDS;
        memcpy(fds, CMSG_DATA(c), *n_fds * sizeof(int));
    }
}

bool wire_receive_header(int fd, struct wire_header *header, int fds[WORKER_MAX_FDS], size_t *n_fds)
{
    struct iovec part = {header, sizeof *header};
    union control control;
    struct msghdr message = {.msg_iov = &part,
                             .msg_iovlen = 1,
                             .msg_control = control.bytes,
                             .msg_controllen = sizeof control.bytes};
    ssize_t n;
    *n_fds = 0;
    do
        n = recvmsg(fd, &message, MSG_CMSG_CLOEXEC);
    while (n < 0 && errno == EINTR);
    if (n <= 0)
        return false;
    detach(&message, fds, n_fds);
    if (wire_receive(fd, (char *)header + n, sizeof *header - (size_t)n))
        return true;
    wire_close_all(fds, n_fds);
    return false;
}

void wire_close_all(int *fds, size_t *n_fds)
{
    for (size_t i = 0; i < *n_fds; i++)
        close(fds[i]);
    *n_fds = 0;
}
