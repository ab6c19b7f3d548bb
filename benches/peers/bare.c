/* The floor: sends ready-made requests and receives the answers, in batches, without looking at them.
 *
 *     bare LIST WINDOW REQUEST...
 *
 * Each REQUEST is a whole datagram in hexadecimal digits; every printer is sent all of them, one after
 * another. Prints one JSON object. Ends by itself after a minute, or when nothing comes for two seconds. */

#define _GNU_SOURCE
#include <arpa/inet.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { BATCH = 64, LONGEST = 65536, REQUESTS = 8 };

struct datagram {
    unsigned char *bytes;
    size_t length;
};

static struct datagram requests[REQUESTS];
static int request_count;

static void parse(const char *digits, struct datagram *into) {
    into->length = strlen(digits) / 2;
    into->bytes = malloc(into->length + 1);
    for (size_t at = 0; at < into->length; at++)
        sscanf(digits + 2 * at, "%2hhx", &into->bytes[at]);
}

static double seconds(struct timeval time) { return time.tv_sec + time.tv_usec / 1e6; }

int main(int count, char **words) {
    if (count < 4)
        return 2;
    long window = atol(words[2]), printers = 0, room = 1024, sent = 0, received = 0;
    for (int at = 3; at < count && request_count < REQUESTS; at++)
        parse(words[at], &requests[request_count++]);
    struct sockaddr_in *addresses = malloc(room * sizeof *addresses);
    FILE *list = fopen(words[1], "r");
    char line[256];
    if (!list)
        return 1;
    while (fgets(line, sizeof line, list)) {
        char *port = strchr(line, ':');
        if (!port)
            continue;
        *port = 0;
        if (printers == room)
            addresses = realloc(addresses, (room *= 2) * sizeof *addresses);
        memset(&addresses[printers], 0, sizeof *addresses);
        addresses[printers].sin_family = AF_INET;
        addresses[printers].sin_port = htons(atoi(port + 1));
        inet_pton(AF_INET, line, &addresses[printers++].sin_addr);
    }
    int fd = socket(AF_INET, SOCK_DGRAM | SOCK_NONBLOCK, 0), wanted = 4 << 20;
    setsockopt(fd, SOL_SOCKET, SO_RCVBUF, &wanted, sizeof wanted);
    struct mmsghdr in[BATCH], out[BATCH];
    struct iovec in_pieces[BATCH], out_pieces[BATCH];
    struct sockaddr_in from[BATCH];
    unsigned char *buffer = malloc((size_t)BATCH * LONGEST);
    alarm(60);
    struct timespec begun, over;
    struct rusage before, after;
    getrusage(RUSAGE_SELF, &before);
    clock_gettime(CLOCK_MONOTONIC, &begun);
    long total = printers * request_count, next = 0;
    while (received < total) {
        while (next < total && next - received < window) {
            int batch = 0;
            memset(out, 0, sizeof out);
            for (; batch < BATCH && next < total && next - received < window; batch++, next++) {
                struct datagram *request = &requests[next % request_count];
                out_pieces[batch] = (struct iovec){request->bytes, request->length};
                out[batch].msg_hdr.msg_iov = &out_pieces[batch];
                out[batch].msg_hdr.msg_iovlen = 1;
                out[batch].msg_hdr.msg_name = &addresses[next / request_count];
                out[batch].msg_hdr.msg_namelen = sizeof *addresses;
            }
            int went = sendmmsg(fd, out, batch, 0);
            sent += went > 0 ? went : 0;
        }
        struct pollfd ready = {fd, POLLIN, 0};
        if (poll(&ready, 1, 2000) == 0)
            break;
        memset(in, 0, sizeof in);
        for (int at = 0; at < BATCH; at++) {
            in_pieces[at] = (struct iovec){buffer + (size_t)at * LONGEST, LONGEST};
            in[at].msg_hdr.msg_iov = &in_pieces[at];
            in[at].msg_hdr.msg_iovlen = 1;
            in[at].msg_hdr.msg_name = &from[at];
            in[at].msg_hdr.msg_namelen = sizeof from[at];
        }
        int came = recvmmsg(fd, in, BATCH, 0, NULL);
        received += came > 0 ? came : 0;
    }
    clock_gettime(CLOCK_MONOTONIC, &over);
    getrusage(RUSAGE_SELF, &after);
    double cpu = seconds(after.ru_utime) + seconds(after.ru_stime) - seconds(before.ru_utime) - seconds(before.ru_stime);
    printf("{\"answered\":%ld,\"failed\":%ld,\"wall_s\":%.6f,\"cpu_s\":%.6f,\"datagrams_sent\":%ld,"
           "\"datagrams_received\":%ld,\"peak_rss_mb\":%.3f}\n",
           received / request_count, printers - received / request_count,
           over.tv_sec - begun.tv_sec + (over.tv_nsec - begun.tv_nsec) / 1e9, cpu, sent, received,
           after.ru_maxrss / 1024.0);
    return 0;
}
