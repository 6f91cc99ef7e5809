/* Reads one block of registers with libmodbus and prints the values found in it.
 *
 *   read_registers HOST PORT ORDER FIRST COUNT OFFSET:TYPE...
 *
 * ORDER: abcd cdab badc dcba. TYPE: float int code flag time text. The block is read as input and as
 * holding registers, in as few requests as there must be. One line a value: TABLE OFFSET TYPE VALUE. A flag is also
 * read as a discrete input and as a coil. The bytes are put in order here, by hand:
 * modbus_get_float_abcd of libmodbus 3.1.6 swaps them.
 * Last comes "write" and what libmodbus makes of the answer to writing the first register.
 */
#include <errno.h>
#include <inttypes.h>
#include <modbus/modbus.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define TEXT_REGISTERS 16
#define MOST 400

static void fail(const char *what)
{
    fprintf(stderr, "%s: %s\n", what, modbus_strerror(errno));
    exit(1);
}

typedef int reader(modbus_t *, int, int, uint16_t *);

/* All of a block, of which one request holds no more than MODBUS_MAX_READ_REGISTERS. */
static void read_all(modbus_t *link, reader *read, int first, int count, uint16_t *into)
{
    for (int done = 0, some; done < count; done += some) {
        some = count - done;
        if (some > MODBUS_MAX_READ_REGISTERS)
            some = MODBUS_MAX_READ_REGISTERS;
        if (read(link, first + done, some, into + done) != some)
            fail("read registers");
    }
}

/* The number in `count` registers, most significant byte first after undoing the order. */
static uint64_t number(const uint16_t *registers, int count, const char *order)
{
    int reversed = !strcmp(order, "cdab") || !strcmp(order, "dcba");
    int swapped = !strcmp(order, "badc") || !strcmp(order, "dcba");
    uint64_t bits = 0;
    for (int i = 0; i < count; i++) {
        uint16_t word = registers[reversed ? count - 1 - i : i];
        if (swapped)
            word = (uint16_t)((word << 8) | (word >> 8));
        bits = (bits << 16) | word;
    }
    return bits;
}

static void print_value(const char *table, int offset, const char *type, const uint16_t *at,
                        const char *order)
{
    printf("%s %d %s ", table, offset, type);
    if (!strcmp(type, "float")) {
        uint32_t bits = (uint32_t)number(at, 2, order);
        float value;
        memcpy(&value, &bits, sizeof value);
        printf("%.9g\n", (double)value);
    } else if (!strcmp(type, "int")) {
        printf("%" PRIu64 "\n", number(at, 2, order));
    } else if (!strcmp(type, "time")) {
        printf("%" PRIu64 "\n", number(at, 4, order));
    } else if (!strcmp(type, "text")) {
        for (int i = 0; i < TEXT_REGISTERS; i++)
            for (int shift = 8; shift >= 0; shift -= 8)
                if ((at[i] >> shift) & 0xff)
                    putchar((at[i] >> shift) & 0xff);
        putchar('\n');
    } else {
        printf("%u\n", at[0]);
    }
}

int main(int argc, char **argv)
{
    if (argc < 7) {
        fprintf(stderr, "usage: read_registers HOST PORT ORDER FIRST COUNT OFFSET:TYPE...\n");
        return 2;
    }
    const char *order = argv[3];
    int first = atoi(argv[4]), count = atoi(argv[5]);
    uint16_t input[MOST], holding[MOST];
    modbus_t *link = modbus_new_tcp(argv[1], atoi(argv[2]));
    if (link == NULL || count > MOST)
        fail("new");
    modbus_set_response_timeout(link, 10, 0);
    modbus_set_slave(link, 1);
    if (modbus_connect(link) == -1)
        fail("connect");
    read_all(link, modbus_read_input_registers, first, count, input);
    read_all(link, modbus_read_registers, first, count, holding);
    for (int i = 6; i < argc; i++) {
        char type[8];
        int offset;
        if (sscanf(argv[i], "%d:%7s", &offset, type) != 2)
            return 2;
        print_value("input", offset, type, input + offset, order);
        print_value("holding", offset, type, holding + offset, order);
        if (!strcmp(type, "flag")) {
            uint8_t discrete, coil;
            if (modbus_read_input_bits(link, first + offset, 1, &discrete) != 1)
                fail("read discrete input");
            if (modbus_read_bits(link, first + offset, 1, &coil) != 1)
                fail("read coil");
            printf("discrete %d %s %u\ncoil %d %s %u\n", offset, type, discrete, offset, type, coil);
        }
    }
    if (modbus_write_register(link, first, 1) == -1)
        printf("write %s\n", modbus_strerror(errno));
    else
        printf("write accepted\n");
    modbus_close(link);
    modbus_free(link);
    return 0;
}
