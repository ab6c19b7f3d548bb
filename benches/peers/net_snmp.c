/* Reads a list of printers through net-snmp's library, asynchronously, as its documentation lays out: a session
 * for each printer, snmp_send, and a loop of select and snmp_read. Each is asked for ten scalars and nine columns of
 * prtMarkerSuppliesTable by GETBULK until every column is over, or with "repeat" for what changes, by one GET.
 *
 *     net_snmp LIST WINDOW [repeat]
 *
 * Prints one JSON object. Ends by itself after a minute. */

#include <net-snmp/net-snmp-config.h>
#include <net-snmp/net-snmp-includes.h>

#include <stdio.h>
#include <string.h>
#include <sys/resource.h>
#include <time.h>
#include <unistd.h>

enum { COLUMNS = 9, SCALARS = 10, SUPPLIES = 16, LONGEST = 32 };

struct printer {
    netsnmp_session *session;
    oid last[COLUMNS][LONGEST];
    size_t length[COLUMNS];
    int over[COLUMNS], asked[COLUMNS], width, first, values, done, failed;
};

static const oid entry[] = {1, 3, 6, 1, 2, 1, 43, 11, 1, 1};
static const oid scalars[SCALARS][13] = {
    {1, 3, 6, 1, 2, 1, 1, 1}, {1, 3, 6, 1, 2, 1, 1, 3}, {1, 3, 6, 1, 2, 1, 1, 5}, {1, 3, 6, 1, 2, 1, 1, 6},
    {1, 3, 6, 1, 2, 1, 25, 3, 2, 1, 5}, {1, 3, 6, 1, 2, 1, 25, 3, 5, 1, 1}, {1, 3, 6, 1, 2, 1, 25, 3, 5, 1, 2},
    {1, 3, 6, 1, 2, 1, 43, 5, 1, 1, 1}, {1, 3, 6, 1, 2, 1, 43, 5, 1, 1, 17}, {1, 3, 6, 1, 2, 1, 43, 10, 2, 1, 4}};
static const size_t scalar_length[SCALARS] = {8, 8, 8, 8, 11, 11, 11, 11, 11, 11};
static int repeat;
static long sent, received, values;

static int answered(int operation, netsnmp_session *session, int id, netsnmp_pdu *pdu, void *magic);

static void ask(struct printer *printer) {
    netsnmp_pdu *pdu = snmp_pdu_create(repeat ? SNMP_MSG_GET : SNMP_MSG_GETBULK);
    if (repeat) {
        for (int at = 0; at < SCALARS; at++) {
            oid name[LONGEST];
            memcpy(name, scalars[at], sizeof scalars[at]);
            name[scalar_length[at]] = at < 4 ? 0 : 1;
            int more = at == SCALARS - 1;
            name[scalar_length[at] + 1] = 1;
            snmp_add_null_var(pdu, name, scalar_length[at] + 1 + more);
        }
        for (int row = 1; row <= SUPPLIES; row++) {
            oid name[] = {1, 3, 6, 1, 2, 1, 43, 11, 1, 1, 9, 1, row};
            snmp_add_null_var(pdu, name, 13);
        }
    } else {
        pdu->non_repeaters = printer->first ? SCALARS : 0;
        pdu->max_repetitions = 17;
        for (int at = 0; printer->first && at < SCALARS; at++)
            snmp_add_null_var(pdu, scalars[at], scalar_length[at]);
        printer->width = 0;
        for (int column = 0; column < COLUMNS; column++)
            if (!printer->over[column]) {
                printer->asked[printer->width++] = column;
                snmp_add_null_var(pdu, printer->last[column], printer->length[column]);
            }
    }
    if (snmp_async_send(printer->session, pdu, answered, printer))
        sent++;
    else {
        snmp_free_pdu(pdu);
        printer->done = printer->failed = 1;
    }
}

static int answered(int operation, netsnmp_session *session, int id, netsnmp_pdu *pdu, void *magic) {
    struct printer *printer = magic;
    (void)session, (void)id;
    if (operation != NETSNMP_CALLBACK_OP_RECEIVED_MESSAGE) {
        if (operation == NETSNMP_CALLBACK_OP_TIMED_OUT)
            printer->done = printer->failed = 1;
        return 1;
    }
    received++;
    int at = 0, left = 0;
    for (netsnmp_variable_list *value = pdu->variables; value; value = value->next_variable, at++) {
        int place = at - (printer->first ? SCALARS : 0);
        printer->values++;
        if (repeat || place < 0)
            continue;
        int column = printer->asked[place % printer->width];
        size_t length = sizeof entry / sizeof *entry;
        int inside = value->name_length > length && value->name_length < LONGEST &&
                     !memcmp(value->name, entry, sizeof entry) && value->name[length] == (oid)column + 1;
        if (!inside)
            printer->over[column] = 1;
        else if (!printer->over[column]) {
            memcpy(printer->last[column], value->name, value->name_length * sizeof(oid));
            printer->length[column] = value->name_length;
        }
    }
    printer->first = 0;
    for (int column = 0; column < COLUMNS; column++)
        left += !printer->over[column];
    if (left && !repeat)
        ask(printer);
    else
        printer->done = 1;
    return 1;
}

static int begin(struct printer *printer, char *address) {
    netsnmp_session template;
    memset(printer, 0, sizeof *printer);
    snmp_sess_init(&template);
    template.peername = address;
    template.version = SNMP_VERSION_2c;
    template.community = (u_char *)"public";
    template.community_len = 6;
    template.timeout = 1000000;
    template.retries = 2;
    printer->first = 1;
    /* Column 1 is not readable; a printer without it answers with the next, and that column is over. */
    for (int column = 0; column < COLUMNS; column++) {
        memcpy(printer->last[column], entry, sizeof entry);
        printer->last[column][10] = column + 1;
        printer->length[column] = 11;
    }
    printer->session = snmp_open(&template);
    if (!printer->session)
        return 0;
    ask(printer);
    return 1;
}

static double seconds(struct timeval time) { return time.tv_sec + time.tv_usec / 1e6; }

int main(int count, char **words) {
    if (count < 3)
        return 2;
    repeat = count > 3;
    long window = atol(words[2]), busy = 0, answered_count = 0, failed = 0;
    FILE *list = fopen(words[1], "r");
    struct printer *printers = calloc(window, sizeof *printers);
    char line[256];
    int more = list != NULL;
    if (!printers || !list)
        return 1;
    alarm(60);
    init_snmp("peer");
    struct timespec from, to;
    struct rusage before, after;
    getrusage(RUSAGE_SELF, &before);
    clock_gettime(CLOCK_MONOTONIC, &from);
    while (more || busy) {
        for (long at = 0; at < window; at++) {
            struct printer *printer = &printers[at];
            if (printer->session && printer->done) {
                snmp_close(printer->session);
                printer->session = NULL;
                busy--;
                failed += printer->failed;
                answered_count += !printer->failed;
                values += printer->values;
            }
            if (!printer->session && more) {
                more = fgets(line, sizeof line, list) != NULL;
                if (!more)
                    continue;
                line[strcspn(line, " \n")] = 0;
                if (begin(printer, line))
                    busy++;
                else
                    failed++;
            }
        }
        if (!busy)
            continue;
        int highest = 0, block = 1;
        fd_set ready;
        struct timeval wait;
        FD_ZERO(&ready);
        snmp_select_info(&highest, &ready, &wait, &block);
        int came = select(highest, &ready, NULL, NULL, block ? NULL : &wait);
        if (came > 0)
            snmp_read(&ready);
        else
            snmp_timeout();
    }
    clock_gettime(CLOCK_MONOTONIC, &to);
    getrusage(RUSAGE_SELF, &after);
    double cpu = seconds(after.ru_utime) + seconds(after.ru_stime) - seconds(before.ru_utime) - seconds(before.ru_stime);
    printf("{\"answered\":%ld,\"failed\":%ld,\"values\":%ld,\"wall_s\":%.6f,\"cpu_s\":%.6f,\"datagrams_sent\":%ld,"
           "\"datagrams_received\":%ld,\"peak_rss_mb\":%.3f}\n",
           answered_count, failed, values, to.tv_sec - from.tv_sec + (to.tv_nsec - from.tv_nsec) / 1e9, cpu, sent,
           received, after.ru_maxrss / 1024.0);
    return 0;
}
