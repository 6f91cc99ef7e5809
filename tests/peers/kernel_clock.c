/* Says what ntp_adjtime tells, by the system's own header: the reference for our reading of it.
 * With PRETEND it is built as a library that answers in the kernel's place, from the environment:
 * "RETURNED STATUS MAXERROR ESTERROR". */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/timex.h>

#ifdef PRETEND
int ntp_adjtime(struct timex *t)
{
    const char *text = getenv("PRETENDED_CLOCK");
    int returned = -1, status = 0;
    long maxerror = 0, esterror = 0;
    memset(t, 0x5a, sizeof *t); /* whoever looks at the wrong place finds nonsense */
    if (text)
        sscanf(text, "%d %d %ld %ld", &returned, &status, &maxerror, &esterror);
    t->status = status;
    t->maxerror = maxerror;
    t->esterror = esterror;
    return returned;
}
#else
int main(void)
{
    struct timex t;
    memset(&t, 0, sizeof t);
    int returned = ntp_adjtime(&t);
    printf("%d %d %ld %ld\n", returned, t.status, t.maxerror, t.esterror);
    return 0;
}
#endif
