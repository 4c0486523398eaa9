#include "crc16.h"

/* One byte at a time without a table: a table would cost 512 bytes of flash on the small boards. */
uint16_t crc16_update(uint16_t crc, uint8_t byte) {
    uint8_t x = (uint8_t)((uint8_t)(crc >> 8) ^ byte);
    x = (uint8_t)(x ^ (x >> 4));
    /* crc << 8 ^ x << 12 ^ x << 5 ^ x, a byte at a time: small boards shift one bit at a time */
    uint8_t high = (uint8_t)((uint8_t)crc ^ (uint8_t)(x << 4) ^ (x >> 3));
    uint8_t low = (uint8_t)(x ^ (uint8_t)(x << 5));
    return (uint16_t)((uint16_t)((uint16_t)high << 8) | low);
}
