/* Widths of bounces, blips and dropouts in one byte: four bits of exponent, four of mantissa.
 *
 * Steps of at most 1/16, finer than the sampling of a small board (50 us) deserves, and a whole
 * byte less for each of them in every input and every record. Larger widths have larger codes, so
 * codes compare like widths. */
#ifndef REEDPROOF_WIDTH_H
#define REEDPROOF_WIDTH_H

#include <stdint.h>

#define WIDTH_MAX                                                                                  \
    (UINT32_C(31) << 14) /* half a second, where microseconds are meant; more is cut to it */

/* Rounds down. */
uint8_t width_code(uint32_t width);

#endif
