/* Levels of all inputs as one word: bit n is input n + 1, a set bit is a closed contact. */
#ifndef REEDPROOF_LEVELS_H
#define REEDPROOF_LEVELS_H

#include <stdint.h>

#ifndef REEDPROOF_INPUTS /* room for this many inputs; a board may use fewer */
#define REEDPROOF_INPUTS 32
#endif

#if REEDPROOF_INPUTS <= 16
typedef uint16_t levels_t;
#elif REEDPROOF_INPUTS <= 32
typedef uint32_t levels_t;
#else
#error "the protocol numbers inputs 1 to 32"
#endif

/* Without a variable shift, which an 8-bit board does bit by bit. */
static inline levels_t level_bit(uint8_t input) {
    uint8_t bit = (uint8_t)(input & 1 ? 2 : 1);
    if (input & 2) {
        bit = (uint8_t)(bit << 2);
    }
    if (input & 4) {
        bit = (uint8_t)(bit << 4);
    }
    levels_t bits = bit;
    if (input & 8) {
        bits = (levels_t)(bits << 8);
    }
#if REEDPROOF_INPUTS > 16
    if (input & 16) {
        bits <<= 16;
    }
#endif
    return bits;
}

#endif
