/* A Modbus RTU slave made with libmodbus: serve_serial DEVICE UNIT
 *
 * Every register holds a word that names slave, table and address, so that a value under another
 * tag shows: holding UNIT << 12 | ADDRESS, input its complement; coil and discrete input 1 where
 * the address is a multiple of UNIT + 1 and of UNIT + 2. Standard input may set further words,
 *   TABLE ADDRESS WORD      TABLE: input holding
 * and ends the program with its end. Prints "ready" when it listens.
 */
#include <errno.h>
#include <modbus/modbus.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define SIZE 4000

static void fail(const char *what)
{
    fprintf(stderr, "%s: %s\n", what, modbus_strerror(errno));
    exit(1);
}

int main(int argc, char **argv)
{
    char line[128], table[16];
    uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];
    if (argc != 3)
        return 2;
    int unit = atoi(argv[2]);
    modbus_mapping_t *map = modbus_mapping_new(SIZE, SIZE, SIZE, SIZE);
    modbus_t *slave = modbus_new_rtu(argv[1], 19200, 'E', 8, 1);
    if (map == NULL || slave == NULL)
        fail("new");
    for (int at = 0; at < SIZE; at++) {
        map->tab_registers[at] = (uint16_t)(unit << 12 | at);
        map->tab_input_registers[at] = (uint16_t) ~(unit << 12 | at);
        map->tab_bits[at] = at % (unit + 1) == 0;
        map->tab_input_bits[at] = at % (unit + 2) == 0;
    }
    setvbuf(stdin, NULL, _IONBF, 0);
    if (modbus_set_slave(slave, unit) == -1 || modbus_connect(slave) == -1)
        fail("connect");
    printf("ready\n");
    fflush(stdout);
    for (;;) {
        struct pollfd watched[] = {
            {.fd = STDIN_FILENO, .events = POLLIN},
            {.fd = modbus_get_socket(slave), .events = POLLIN},
        };
        if (poll(watched, 2, -1) == -1)
            fail("poll");
        if (watched[0].revents) {
            int address;
            unsigned word;
            if (fgets(line, sizeof line, stdin) == NULL)
                break;
            if (sscanf(line, "%15s %d %i", table, &address, (int *)&word) != 3 || address >= SIZE)
                return 2;
            if (!strcmp(table, "input"))
                map->tab_input_registers[address] = (uint16_t)word;
            else
                map->tab_registers[address] = (uint16_t)word;
        }
        if (!watched[1].revents)
            continue;
        int length = modbus_receive(slave, query);
        /* 0: for another slave. -1: not a request of ours, or a wrong checksum. */
        if (length > 0)
            modbus_reply(slave, query, length, map);
        else if (length == -1)
            modbus_flush(slave);
    }
    modbus_close(slave);
    modbus_mapping_free(map);
    modbus_free(slave);
    return 0;
}
