#include "single.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "chaffinch/publish.h"

#define ADDRESS "review"

enum { ADDRESS_MAX = 200 };

static bool refuse(const struct root *root, struct err *err)
{
    char *address = NULL, shown[ADDRESS_MAX + 8], safe[400];
    size_t size = 0;
    struct err ignored = ERR_INIT;
    bool known = files_read_all(root->fs, root->state, ADDRESS, ADDRESS_MAX, &address, &size, &ignored);
    (void)err_escape(safe, sizeof safe, root->path);
    if (known) {
        address[strcspn(address, "\n")] = '\0';
        err_set(err, ERR_REFUSED, "another review of '%s' is open: go to %s", safe,
                err_escape(shown, sizeof shown, address));
    } else
        err_set(err, ERR_REFUSED, "another review of '%s' is open: end it first", safe);
    free(address);
    return false;
}

bool single_take(struct single *single, const struct root *root, struct err *err)
{
    struct err trouble = ERR_INIT;
    int result;
    *single = (struct single){.root = root, .fd = -1};
    int fd = files_open(root->fs, root->state, "review.lock", O_RDWR | O_CREAT, 0666,
                        ROOT_STATE "/review.lock", &trouble);
    if (fd < 0 && (trouble.sys == EROFS || trouble.sys == EACCES))
        return true; /* for looking only */
    if (fd < 0)
        return err_set(err, trouble.code, "%s", trouble.message);
    do
        result = root->fs->lock(root->fs->context, fd);
    while (result != 0 && errno == EINTR);
    if (result == 0) {
        single->fd = fd;
        return true;
    }
    int number = errno;
    files_drop(root->fs, fd);
    if (number == EWOULDBLOCK)
        return refuse(root, err);
    errno = number;
    return err_sys(err, "lock", ROOT_STATE "/review.lock");
}

bool single_tell(struct single *single, const char *address, struct err *err)
{
    if (single->fd < 0)
        return true;
    mode_t before = umask(077);
    single->told = publish_replace(single->root, ADDRESS, address, strlen(address), err);
    (void)umask(before);
    return single->told;
}

void single_release(struct single *single)
{
    if (single->root == NULL)
        return;
    if (single->told)
        (void)publish_drop(single->root, ADDRESS, NULL);
    files_drop(single->root->fs, single->fd);
    *single = (struct single){.fd = -1};
}
