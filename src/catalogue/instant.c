#include "instant.h"

#include <stdio.h>
#include <string.h>
#include <time.h>

enum { NS_A_SECOND = 1000000000, TEXT_LENGTH = 30 };

char *instant_text(int64_t ns, char out[INSTANT_SIZE])
{
    struct tm tm = {0};
    time_t s = (time_t)(ns / NS_A_SECOND);
    int64_t rest = ns % NS_A_SECOND;
    if (rest < 0) { /* before 1970 the fraction still counts upwards */
        rest += NS_A_SECOND;
        s--;
    }
    (void)gmtime_r(&s, &tm);
    size_t n = strftime(out, INSTANT_SIZE, "%Y-%m-%dT%H:%M:%S", &tm);
    (void)snprintf(out + n, INSTANT_SIZE - n, ".%09dZ", (int)rest);
    return out;
}

bool instant_parse(const char *text, int64_t *ns)
{
    static const char form[] = "dddd-dd-ddTdd:dd:dd.dddddddddZ";
    struct tm tm = {0};
    char again[INSTANT_SIZE];
    int fraction = 0;
    if (strlen(text) != TEXT_LENGTH)
        return false;
    for (size_t i = 0; i < TEXT_LENGTH; i++)
        if (form[i] == 'd' ? text[i] < '0' || text[i] > '9' : text[i] != form[i])
            return false;
    (void)sscanf(text, "%4d-%2d-%2dT%2d:%2d:%2d.%9d", &tm.tm_year, &tm.tm_mon, &tm.tm_mday, &tm.tm_hour,
                 &tm.tm_min, &tm.tm_sec, &fraction);
    if (tm.tm_year < 1700 || tm.tm_year > 2261) /* what fits into 64 bits of ns */
        return false;
    tm.tm_year -= 1900;
    tm.tm_mon -= 1;
    *ns = (int64_t)timegm(&tm) * NS_A_SECOND + fraction;
    /* timegm carries a 31 February over into March; such a text is not a time that was written here. */
    return strcmp(instant_text(*ns, again), text) == 0;
}
