/* Raspberry Pi Pico: input 1 to 23 = GP0 to GP22, 24 to 26 = GP26 to GP28, lamp = the one on the
 * board (GP25). */
#ifndef REEDPROOF_PINS_PICO_H
#define REEDPROOF_PINS_PICO_H

#define INPUT_COUNT 26
#define LOW_PINS 23 /* inputs before the three pins that the board keeps for itself */
#define KEPT_PINS 3
#define LOW_MASK 0x007FFFFFu  /* of pins, and of levels */
#define HIGH_MASK 0x1C000000u /* of pins */
#define LAMP_PIN 25

#endif
