/* A client on libmodbus: reads, writes and provokes a refusal, one line of output each.
 *
 * usage: client PORT BAUD PARITY STOPBITS SERVER
 */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>

static int fail(const char *what)
{
    fprintf(stderr, "%s: %s\n", what, modbus_strerror(errno));
    return 1;
}

int main(int argc, char **argv)
{
    if (argc != 6)
        return 2;
    modbus_t *bus = modbus_new_rtu(argv[1], atoi(argv[2]), argv[3][0], 8, atoi(argv[4]));
    if (bus == NULL)
        return fail("new");
    modbus_set_slave(bus, atoi(argv[5]));
    modbus_set_response_timeout(bus, 2, 0);
    if (modbus_connect(bus) == -1)
        return fail("connect");

    uint16_t words[16] = {0};
    uint8_t bits[64] = {0};
    if (modbus_read_registers(bus, 0, 4, words) != 4)
        return fail("read holding");
    printf("holding %u %u %u %u\n", words[0], words[1], words[2], words[3]);
    if (modbus_read_input_registers(bus, 0, 3, words) != 3)
        return fail("read input");
    printf("input %u %u %u\n", words[0], words[1], words[2]);
    if (modbus_read_bits(bus, 0, 3, bits) != 3)
        return fail("read coils");
    printf("coils %u %u %u\n", bits[0], bits[1], bits[2]);
    if (modbus_read_input_bits(bus, 0, 9, bits) != 9)
        return fail("read discrete");
    printf("discrete %u %u\n", bits[0], bits[1]);
    if (modbus_write_register(bus, 0, 500) != 1)
        return fail("write one");
    if (modbus_read_registers(bus, 0, 1, words) != 1)
        return fail("read back");
    printf("written %u\n", words[0]);
    uint16_t pair[2] = {510, 520};
    if (modbus_write_registers(bus, 1, 2, pair) != 2)
        return fail("write several");
    if (modbus_read_registers(bus, 1, 2, words) != 2)
        return fail("read back several");
    printf("written %u %u\n", words[0], words[1]);
    if (modbus_write_and_read_registers(bus, 1, 2, pair, 0, 3, words) != 3)
        return fail("write and read");
    printf("exchanged %u %u %u\n", words[0], words[1], words[2]);
    if (modbus_read_registers(bus, 60000, 1, words) != -1)
        return fail("a read of nothing was answered");
    printf("refused %d\n", errno - MODBUS_ENOBASE);
    uint8_t identity[MODBUS_MAX_PDU_LENGTH];
    int length = modbus_report_slave_id(bus, sizeof identity, identity);
    if (length < 2)
        return fail("report server id");
    printf("identity %d %02X\n", length, identity[1]);
    modbus_close(bus);
    modbus_free(bus);
    return 0;
}
