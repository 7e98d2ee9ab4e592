/* Reads registers of a Modbus TCP server as fast as libmodbus can; prints requests a second.
 *
 *     modbus_rate HOST PORT REGISTERS SECONDS */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

static double now(void) {
    struct timespec time;
    clock_gettime(CLOCK_MONOTONIC, &time);
    return (double)time.tv_sec + (double)time.tv_nsec * 1e-9;
}

int main(int argc, char **argv) {
    if (argc != 5) {
        fprintf(stderr, "usage: modbus_rate HOST PORT REGISTERS SECONDS\n");
        return 2;
    }
    int count = atoi(argv[3]);
    uint16_t registers[MODBUS_MAX_READ_REGISTERS];
    modbus_t *context = modbus_new_tcp(argv[1], atoi(argv[2]));
    if (!context || count < 1 || count > MODBUS_MAX_READ_REGISTERS || modbus_connect(context) != 0) {
        fprintf(stderr, "modbus_rate: %s\n", modbus_strerror(errno));
        return 2;
    }
    modbus_set_slave(context, 1);
    double begun = now(), until = begun + atof(argv[4]);
    long answers = 0;
    while (now() < until) {
        if (modbus_read_registers(context, 0, count, registers) != count) {
            fprintf(stderr, "modbus_rate: %s\n", modbus_strerror(errno));
            return 1;
        }
        answers++;
    }
    printf("%.1f\n", (double)answers / (now() - begun));
    modbus_close(context);
    modbus_free(context);
    return 0;
}
