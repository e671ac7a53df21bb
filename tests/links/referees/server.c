/* A MODBUS RTU server made with libmodbus: one address, and registers to write.
 *
 *     server PORT BAUD ADDRESS
 *
 * It says "ready" on its standard output when the port is open, and serves until it is
 * ended.  What it does with packets that are not its own is the library's doing.
 */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>

int main(int argc, char **argv)
{
    uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];
    modbus_mapping_t *registers;
    modbus_t *server;

    if (argc != 4) {
        fprintf(stderr, "usage: %s PORT BAUD ADDRESS\n", argv[0]);
        return 2;
    }
    server = modbus_new_rtu(argv[1], atoi(argv[2]), 'N', 8, 1);
    registers = modbus_mapping_new(0, 0, 256, 0);
    if (server == NULL || registers == NULL)
        return 1;
    modbus_set_slave(server, atoi(argv[3]));
    if (modbus_connect(server) != 0) {
        fprintf(stderr, "%s: %s\n", argv[1], modbus_strerror(errno));
        return 1;
    }
    puts("ready");
    fflush(stdout);
    for (;;) {
        int octets = modbus_receive(server, query);
        if (octets > 0)
            modbus_reply(server, query, octets, registers);
        else if (octets < 0 && (errno == EIO || errno == EBADF))
            return 0; /* the other end of the line is gone */
    }
}
