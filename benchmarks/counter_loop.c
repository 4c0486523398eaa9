/* What the Nano's sampling interrupt is compared with: the plain way to debounce 16 inputs, a
 * counter for each, looked at by a C interrupt at every sample. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

#define INPUTS 16
#define SAMPLES_TO_COUNT 20

static volatile uint8_t *const pin_register[INPUTS] = {&PIND, &PIND, &PIND, &PIND, &PIND, &PIND,
                                                       &PINB, &PINB, &PINB, &PINB, &PINB, &PINC,
                                                       &PINC, &PINC, &PINC, &PINC};
static const uint8_t pin_mask[INPUTS] = {4, 8, 16, 32, 64, 128, 1, 2, 4, 8, 16, 1, 2, 4, 8, 16};

static uint8_t counter[INPUTS];
static bool is_closed[INPUTS];
static volatile uint16_t closures;

ISR(TIMER2_COMPA_vect) {
    for (uint8_t i = 0; i < INPUTS; i++) {
        bool closed = (*pin_register[i] & pin_mask[i]) == 0;
        if (closed == is_closed[i]) {
            counter[i] = 0;
        } else if (++counter[i] == SAMPLES_TO_COUNT) {
            counter[i] = 0;
            is_closed[i] = closed;
            closures = (uint16_t)(closures + closed);
        }
    }
}

int main(void) {
    PORTD = 0xFC;
    PORTB = 0x1F;
    PORTC = 0x1F;
    OCR2A = 99; /* 50 us at clock / 8, as in port_avr.c */
    TCCR2A = _BV(WGM21);
    TCCR2B = _BV(CS21);
    TIMSK2 = _BV(OCIE2A);
    sei();
    for (;;) {
    }
}
