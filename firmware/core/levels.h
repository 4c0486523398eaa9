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

/* A 16-bit shift by 15 would overflow int on an 8-bit board, hence the detour over uint32_t. */
static inline levels_t level_bit(uint8_t input) {
    return (levels_t)((uint32_t)1 << input);
}

#endif
