#include "width.h"

uint8_t width_code(uint32_t width) {
    if (width >= WIDTH_MAX) {
        return UINT8_MAX;
    }
    uint8_t exponent = 0;
    while (width >= 512) { /* larger steps first: there is no shift by many bits on small chips */
        width >>= 4;
        exponent = (uint8_t)(exponent + 4);
    }
    while (width >= 32) {
        width >>= 1;
        exponent++;
    }
    /* 16 to 31 start the next exponent, 0 to 15 stand for themselves in exponent 0 */
    return (uint8_t)((uint8_t)(exponent << 4) + (uint8_t)width);
}
