/* Writes holding registers with libmodbus and reads them back.
 *
 *   write_registers HOST PORT STEP...
 *
 * STEP: ADDRESS=WORD,...  function 16      ADDRESS:WORD  function 6      ADDRESS?COUNT  function 3
 * Words in hexadecimal. One line a step: "ok", the words read, or what libmodbus makes of the answer.
 */
#include <errno.h>
#include <modbus/modbus.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void step(modbus_t *link, char *text)
{
    char *rest;
    int address = (int)strtol(text, &rest, 10), done, count = 0;
    uint16_t words[MODBUS_MAX_WRITE_REGISTERS];
    char how = *rest++;
    if (how == '?') {
        count = atoi(rest);
        done = modbus_read_registers(link, address, count, words);
    } else {
        for (char *word = strtok(rest, ","); word; word = strtok(NULL, ","))
            words[count++] = (uint16_t)strtol(word, NULL, 16);
        done = how == ':' ? modbus_write_register(link, address, words[0])
                          : modbus_write_registers(link, address, count, words);
    }
    if (done == -1) {
        printf("%s\n", modbus_strerror(errno));
        return;
    }
    if (how != '?') {
        printf("ok\n");
        return;
    }
    for (int i = 0; i < count; i++)
        printf("%04X%s", words[i], i + 1 < count ? " " : "\n");
}

int main(int argc, char **argv)
{
    if (argc < 4) {
        fprintf(stderr, "usage: write_registers HOST PORT STEP...\n");
        return 2;
    }
    modbus_t *link = modbus_new_tcp(argv[1], atoi(argv[2]));
    if (link == NULL)
        return 1;
    modbus_set_response_timeout(link, 10, 0);
    modbus_set_slave(link, 1);
    if (modbus_connect(link) == -1) {
        fprintf(stderr, "connect: %s\n", modbus_strerror(errno));
        return 1;
    }
    for (int i = 3; i < argc; i++)
        step(link, argv[i]);
    modbus_close(link);
    modbus_free(link);
    return 0;
}
