/* Asks a Modbus TCP server with libmodbus, step by step.
 *
 *   ask_modbus HOST PORT STEP...
 *
 * STEP: unit,N                 the unit asked from then on
 *       FUNCTION,ADDRESS,COUNT functions 1 to 4
 *       6,ADDRESS,WORD  16,ADDRESS,WORD,...   words in hexadecimal
 *       raw,BYTES              a PDU in hexadecimal, sent as it is
 * One line a step, none for unit: "words ..." in hexadecimal, "bits ...", "ok", "pdu BYTES",
 * "exception CODE", or "error TEXT" of libmodbus.
 */
#include <errno.h>
#include <modbus/modbus.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MOST_BITS 2000

static void failed(void)
{
    int code = errno - MODBUS_ENOBASE;
    if (code >= 1 && code < MODBUS_EXCEPTION_MAX)
        printf("exception %d\n", code);
    else
        printf("error %s\n", modbus_strerror(errno));
}

static void read_registers(modbus_t *link, int function, int address, int count)
{
    uint16_t words[MODBUS_MAX_READ_REGISTERS];
    if (count > MODBUS_MAX_READ_REGISTERS)
        exit(2);
    int got = function == 3 ? modbus_read_registers(link, address, count, words)
                            : modbus_read_input_registers(link, address, count, words);
    if (got != count) {
        failed();
        return;
    }
    printf("words");
    for (int i = 0; i < count; i++)
        printf(" %04X", words[i]);
    printf("\n");
}

static void read_bits(modbus_t *link, int function, int address, int count)
{
    uint8_t bits[MOST_BITS];
    if (count > MOST_BITS)
        exit(2);
    int got = function == 1 ? modbus_read_bits(link, address, count, bits)
                            : modbus_read_input_bits(link, address, count, bits);
    if (got != count) {
        failed();
        return;
    }
    printf("bits ");
    for (int i = 0; i < count; i++)
        putchar(bits[i] ? '1' : '0');
    printf("\n");
}

static void write_registers(modbus_t *link, int function, int address)
{
    uint16_t words[MODBUS_MAX_WRITE_REGISTERS];
    int count = 0;
    for (char *word = strtok(NULL, ","); word; word = strtok(NULL, ","))
        words[count++] = (uint16_t)strtol(word, NULL, 16);
    int done = function == 6 ? modbus_write_register(link, address, words[0])
                             : modbus_write_registers(link, address, count, words);
    if (done == -1)
        failed();
    else
        printf("ok\n");
}

static void send_raw(modbus_t *link, int unit, const char *hex)
{
    uint8_t request[MODBUS_TCP_MAX_ADU_LENGTH], response[MODBUS_TCP_MAX_ADU_LENGTH];
    int size = 0, byte;
    request[size++] = (uint8_t)unit;
    for (; sscanf(hex, "%2x", (unsigned *)&byte) == 1; hex += 2)
        request[size++] = (uint8_t)byte;
    if (modbus_send_raw_request(link, request, size) == -1) {
        failed();
        return;
    }
    int got = modbus_receive_confirmation(link, response);
    if (got == -1) {
        failed();
        return;
    }
    if (response[7] & 0x80) {
        printf("exception %d\n", response[8]);
        return;
    }
    printf("pdu ");
    for (int i = 7; i < got; i++)
        printf("%02X", response[i]);
    printf("\n");
}

int main(int argc, char **argv)
{
    if (argc < 4) {
        fprintf(stderr, "usage: ask_modbus HOST PORT STEP...\n");
        return 2;
    }
    modbus_t *link = modbus_new_tcp(argv[1], atoi(argv[2]));
    if (link == NULL)
        return 1;
    int unit = 1;
    modbus_set_response_timeout(link, 30, 0);
    modbus_set_slave(link, unit);
    if (modbus_connect(link) == -1) {
        fprintf(stderr, "connect: %s\n", modbus_strerror(errno));
        return 1;
    }
    for (int i = 3; i < argc; i++) {
        char *what = strtok(argv[i], ","), *second = strtok(NULL, ",");
        if (what == NULL || second == NULL)
            return 2;
        int function = atoi(what), address = atoi(second);
        if (!strcmp(what, "unit")) {
            unit = address;
            modbus_set_slave(link, unit);
        } else if (!strcmp(what, "raw")) {
            send_raw(link, unit, second);
        } else if (function == 6 || function == 16) {
            write_registers(link, function, address);
        } else {
            int count = atoi(strtok(NULL, ","));
            if (function <= 2)
                read_bits(link, function, address, count);
            else
                read_registers(link, function, address, count);
        }
    }
    modbus_close(link);
    modbus_free(link);
    return 0;
}
