/* Lines of slipguard-serial-bridge, for a microcontroller. C99, no allocation, no libraries. */
#ifndef SLIPGUARD_LINE_H
#define SLIPGUARD_LINE_H
#include <stdint.h>
#include <stdio.h>

/* CRC-16: polynomial 0x1021, start 0xFFFF; of "123456789": 0x29B1. */
static uint16_t slipguard_crc16(const char *data, int length) {
    uint16_t crc = 0xFFFF;
    for (int i = 0; i < length; i++) {
        crc ^= (uint16_t)((uint8_t)data[i] << 8);
        for (int bit = 0; bit < 8; bit++)
            crc = (uint16_t)((crc & 0x8000) ? (crc << 1) ^ 0x1021 : crc << 1);
    }
    return crc;
}

/* One line with four cumulative counts (fl fr rl rr) into out; its length, 0 if it does not fit. */
static int slipguard_line(char *out, int size, uint16_t sequence, uint32_t clock_us,
                          const int32_t counts[4]) {
    int n = snprintf(out, size, "R %u %lu c %ld %ld %ld %ld ", (unsigned)sequence,
                     (unsigned long)clock_us, (long)counts[0], (long)counts[1], (long)counts[2],
                     (long)counts[3]);
    if (n < 0 || n + 6 >= size) return 0;
    return n + snprintf(out + n, size - n, "#%04X\n", slipguard_crc16(out, n));
}
#endif
