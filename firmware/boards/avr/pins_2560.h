/* ATmega2560 (Mega): input 1 to 8 = D22 to D29, 9 to 24 = A0 to A15, 25 to 32 = D37 down to D30
 * (port C runs against the numbers printed on the board), lamp = D13.
 *
 * Shared by C and assembly, hence macros only. */
#ifndef REEDPROOF_PINS_2560_H
#define REEDPROOF_PINS_2560_H

#define INPUT_COUNT 32
#define PORT_COUNT 4 /* whole ports A, F, K, C */

#define LAMP_BIT 7 /* of port B: D13 */

#endif
