/* Linked to the Nano's firmware by a test: makes it hang, interrupts off, as soon as pin C5
 * changes. The firmware uses neither that pin nor that interrupt. */
#include <avr/interrupt.h>
#include <avr/io.h>

void open_trapdoor(void) __attribute__((naked, used, section(".init8")));
void open_trapdoor(void) {
    PCMSK1 = _BV(PCINT13);
    PCICR = _BV(PCIE1);
}

ISR(PCINT1_vect) {
    for (;;) {
    }
}
