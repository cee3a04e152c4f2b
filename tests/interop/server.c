/* A server on libmodbus with 100 of everything; ends when its line does.
 *
 * usage: server PORT BAUD PARITY STOPBITS SERVER
 */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>

int main(int argc, char **argv)
{
    if (argc != 6)
        return 2;
    modbus_t *bus = modbus_new_rtu(argv[1], atoi(argv[2]), argv[3][0], 8, atoi(argv[4]));
    if (bus == NULL)
        return 1;
    modbus_set_slave(bus, atoi(argv[5]));
    modbus_mapping_t *map = modbus_mapping_new(100, 100, 100, 100);
    if (map == NULL || modbus_connect(bus) == -1) {
        fprintf(stderr, "%s\n", modbus_strerror(errno));
        return 1;
    }
    for (int i = 0; i < 100; i++) {
        map->tab_registers[i] = 1000 + i;
        map->tab_input_registers[i] = 2000 + i;
        map->tab_bits[i] = i % 3 == 0;
        map->tab_input_bits[i] = i % 5 == 0;
    }
    puts("ready");
    fflush(stdout);
    uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];
    for (;;) {
        int length = modbus_receive(bus, query);
        if (length > 0)
            modbus_reply(bus, query, length, map);
        else if (length == -1 && errno != ETIMEDOUT && errno != EMBBADCRC)
            break;
    }
    modbus_mapping_free(map);
    modbus_free(bus);
    return 0;
}
