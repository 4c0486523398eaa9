/* CRC-16/GENIBUS: polynomial 0x1021, initial and final value 0xFFFF, most significant bit first. */
#ifndef REEDPROOF_CRC16_H
#define REEDPROOF_CRC16_H

#include <stdint.h>

#define CRC16_START 0xFFFFu

//@ assigns \nothing;
uint16_t crc16_update(uint16_t crc, uint8_t byte);

/* What is sent: the complement, so that trailing zeros do not pass unnoticed. */
//@ assigns \nothing;
static inline uint16_t crc16_end(uint16_t crc) {
    return (uint16_t)~crc;
}

#endif
