/* A Modbus server made with libmodbus, whose registers are changed by lines on standard input.
 *
 *     modbus_server tcp                      Modbus TCP on a free port of 127.0.0.1, any unit
 *     modbus_server rtu PATH BAUD UNIT       RTU on a serial line, even parity, one unit
 *
 * Prints {"ready": {"port": N}} when it serves, then {"done": true} after each line it has carried out:
 *
 *     set holding|input|coil|discrete ADDRESS VALUE...
 *
 * Every table has 64 entries. */
#include <errno.h>
#include <modbus.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <unistd.h>

#define ENTRIES 64

static modbus_mapping_t *map;

static int carry_out(char *line) {
    char *word = strtok(line, " \n");
    if (!word || strcmp(word, "set")) return -1;
    char *table = strtok(NULL, " \n"), *at = strtok(NULL, " \n");
    if (!table || !at) return -1;
    long address = strtol(at, NULL, 0);
    for (char *value; (value = strtok(NULL, " \n")); address++) {
        if (address < 0 || address >= ENTRIES) return -1;
        long number = strtol(value, NULL, 0);
        if (!strcmp(table, "holding")) map->tab_registers[address] = (uint16_t)number;
        else if (!strcmp(table, "input")) map->tab_input_registers[address] = (uint16_t)number;
        else if (!strcmp(table, "coil")) map->tab_bits[address] = number != 0;
        else if (!strcmp(table, "discrete")) map->tab_input_bits[address] = number != 0;
        else return -1;
    }
    return 0;
}

/* One line from standard input, unbuffered so that select() and the buffer never disagree; 0 at its end. */
static int obey(void) {
    char line[512];
    size_t length = 0;
    char byte;
    for (;;) {
        ssize_t got = read(STDIN_FILENO, &byte, 1);
        if (got <= 0) return 0;
        if (byte == '\n' || length + 1 == sizeof line) break;
        line[length++] = byte;
    }
    line[length] = 0;
    printf("{\"done\": %s}\n", carry_out(line) == 0 ? "true" : "false");
    fflush(stdout);
    return 1;
}

int main(int argc, char **argv) {
    int serial = argc == 5 && !strcmp(argv[1], "rtu");
    if (!serial && !(argc == 2 && !strcmp(argv[1], "tcp"))) {
        fprintf(stderr, "usage: modbus_server tcp | rtu PATH BAUD UNIT\n");
        return 2;
    }
    modbus_t *context = serial ? modbus_new_rtu(argv[2], atoi(argv[3]), 'E', 8, 1) : modbus_new_tcp("127.0.0.1", 0);
    map = modbus_mapping_new(ENTRIES, ENTRIES, ENTRIES, ENTRIES);
    if (!context || !map) {
        fprintf(stderr, "modbus_server: %s\n", modbus_strerror(errno));
        return 2;
    }
    int port = 0, listener = -1;
    fd_set all;
    FD_ZERO(&all);
    FD_SET(STDIN_FILENO, &all);
    if (serial) {
        modbus_set_slave(context, atoi(argv[4]));
        if (modbus_connect(context) != 0) {
            fprintf(stderr, "modbus_server: %s: %s\n", argv[2], modbus_strerror(errno));
            return 2;
        }
        listener = modbus_get_socket(context);
    } else {
        listener = modbus_tcp_listen(context, 8);
        struct sockaddr_in address;
        socklen_t size = sizeof address;
        if (listener < 0 || getsockname(listener, (struct sockaddr *)&address, &size) != 0) {
            fprintf(stderr, "modbus_server: %s\n", modbus_strerror(errno));
            return 2;
        }
        port = ntohs(address.sin_port);
    }
    FD_SET(listener, &all);
    int highest = listener;
    printf("{\"ready\": {\"port\": %d}}\n", port);
    fflush(stdout);

    for (;;) {
        fd_set ready = all;
        if (select(highest + 1, &ready, NULL, NULL, NULL) < 0) return 1;
        if (FD_ISSET(STDIN_FILENO, &ready) && !obey()) return 0;
        for (int one = 1; one <= highest; one++) {
            if (!FD_ISSET(one, &ready)) continue;
            if (!serial && one == listener) {
                int client = accept(listener, NULL, NULL);
                if (client < 0) continue;
                if (client >= FD_SETSIZE) { close(client); continue; }
                FD_SET(client, &all);
                if (client > highest) highest = client;
                continue;
            }
            uint8_t request[MODBUS_TCP_MAX_ADU_LENGTH];
            modbus_set_socket(context, one);
            int length = modbus_receive(context, request);
            if (length > 0) {
                modbus_reply(context, request, length, map);
            } else if (length < 0 && !serial) {
                close(one);
                FD_CLR(one, &all);
            }
        }
    }
}
