/* A Modbus TCP device made with libmodbus, on a free port of the loopback address.
 *
 * Standard input gives its contents and then its life:
 *   TABLE ADDRESS WORD      sets one place; TABLE: coil discrete input holding; WORD as C writes it
 *   serve                   ends the contents: prints "port N" and serves; settings still count
 *   end of the input        ends the program
 * One client at a time, as many small devices are. It holds SIZE places in each table; beyond them
 * libmodbus answers "illegal data address".
 */
#include <arpa/inet.h>
#include <errno.h>
#include <modbus/modbus.h>
#include <netinet/in.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define SIZE 300

static void fail(const char *what)
{
    fprintf(stderr, "%s: %s\n", what, modbus_strerror(errno));
    exit(1);
}

static void set(modbus_mapping_t *map, const char *line)
{
    char table[16];
    int address;
    unsigned word;
    if (sscanf(line, "%15s %d %i", table, &address, (int *)&word) != 3 || address >= SIZE) {
        fprintf(stderr, "not understood: %s", line);
        exit(2);
    }
    if (!strcmp(table, "coil"))
        map->tab_bits[address] = (uint8_t)word;
    else if (!strcmp(table, "discrete"))
        map->tab_input_bits[address] = (uint8_t)word;
    else if (!strcmp(table, "input"))
        map->tab_input_registers[address] = (uint16_t)word;
    else
        map->tab_registers[address] = (uint16_t)word;
}

static int port_of(int listener)
{
    struct sockaddr_in name;
    socklen_t size = sizeof name;
    if (getsockname(listener, (struct sockaddr *)&name, &size) == -1)
        fail("getsockname");
    return ntohs(name.sin_port);
}

int main(void)
{
    char line[128];
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    modbus_mapping_t *map = modbus_mapping_new(SIZE, SIZE, SIZE, SIZE);
    modbus_t *device = modbus_new_tcp("127.0.0.1", 0);
    if (map == NULL || device == NULL)
        fail("new");
    /* Unbuffered, so that poll() below sees every line that has not been read. */
    setvbuf(stdin, NULL, _IONBF, 0);
    while (fgets(line, sizeof line, stdin) != NULL && strcmp(line, "serve\n") != 0)
        set(map, line);
    int listener = modbus_tcp_listen(device, 1);
    if (listener == -1)
        fail("listen");
    printf("port %d\n", port_of(listener));
    fflush(stdout);

    int client = -1;
    for (;;) {
        struct pollfd watched[] = {
            {.fd = STDIN_FILENO, .events = POLLIN},
            {.fd = client == -1 ? listener : client, .events = POLLIN},
        };
        if (poll(watched, 2, -1) == -1)
            fail("poll");
        if (watched[0].revents) {
            if (fgets(line, sizeof line, stdin) == NULL)
                break;
            set(map, line);
        }
        if (!watched[1].revents)
            continue;
        if (client == -1) {
            client = modbus_tcp_accept(device, &listener);
            if (client == -1)
                fail("accept");
            continue;
        }
        int length = modbus_receive(device, query);
        if (length > 0) {
            modbus_reply(device, query, length, map);
        } else if (length == -1) {
            close(client);
            client = -1;
        }
    }
    modbus_mapping_free(map);
    modbus_free(device);
    return 0;
}
