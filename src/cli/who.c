#include "who.h"

#include <pwd.h>
#include <stdio.h>
#include <unistd.h>

const char *who_decides(char out[32])
{
    const struct passwd *user = getpwuid(getuid());
    if (user != NULL && user->pw_name != NULL && user->pw_name[0] != '\0')
        return user->pw_name;
    (void)snprintf(out, 32, "%lu", (unsigned long)getuid());
    return out;
}
