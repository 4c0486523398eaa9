/* ATmega328P (Nano, Uno): input 1 to 11 = D2 to D12, input 12 to 16 = A0 to A4, lamp = D13.
 *
 * Shared by C and assembly, hence macros only. */
#ifndef REEDPROOF_PINS_328P_H
#define REEDPROOF_PINS_328P_H

#define INPUT_COUNT 16
#define PORT_COUNT 3

#define MASK_D 0xFC /* D2 to D7:  inputs 1 to 6,   bits 0 to 5 */
#define MASK_B 0x1F /* D8 to D12: inputs 7 to 11,  bits 6 to 10 */
#define MASK_C 0x1F /* A0 to A4:  inputs 12 to 16, bits 11 to 15 */

#define LAMP_BIT 5 /* of port B: D13 */

#endif
