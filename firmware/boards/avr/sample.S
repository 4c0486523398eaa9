; The sampling interrupt, 20 000 times a second.
;
; Nearly always nothing has changed, so the idle path is what costs: it reads the pins, compares
; them with what was queued last and leaves. In C, with the registers the compiler saves, the same
; took twice as long. What was queued last is kept in the general purpose I/O registers, which are
; reached in one cycle.
;
; It does what sampler_sample() does and fills the same queue (struct sampler, 16 slots):
;   byte 0 head, 1 tail, 2 and 3 lost, then the last levels, then the slots.
; A pin that reads low is a closed contact, hence the complement.

#include <avr/io.h>

#define IO(register) _SFR_IO_ADDR(register)

.extern sampler
#define HEAD sampler
#define TAIL sampler + 1
#define LOST sampler + 2

.section .text.sample,"ax",@progbits
.global TIMER2_COMPA_vect

#if defined(__AVR_ATmega328P__)

#include "pins_328p.h"
#define SLOTS sampler + 6

TIMER2_COMPA_vect:
    push r24
    in r24, IO(SREG)
    push r24
    push r25
    in r24, IO(PIND)
    in r25, IO(GPIOR0)
    eor r25, r24
    andi r25, MASK_D
    brne changed
    in r24, IO(PINB)
    in r25, IO(GPIOR1)
    eor r25, r24
    andi r25, MASK_B
    brne changed
    in r24, IO(PINC)
    in r25, IO(GPIOR2)
    eor r25, r24
    andi r25, MASK_C
    brne changed

#else /* ATmega2560 */

#define SLOTS sampler + 8
#define LAST_C sampler + 4  /* port C as it was queued last; there are only three I/O registers */

TIMER2_COMPA_vect:
    push r24
    in r24, IO(SREG)
    push r24
    push r25
    in r24, IO(PINA)
    in r25, IO(GPIOR0)
    cp r24, r25
    brne changed
    in r24, IO(PINF)
    in r25, IO(GPIOR1)
    cp r24, r25
    brne changed
    lds r24, PINK
    in r25, IO(GPIOR2)
    cp r24, r25
    brne changed
    in r24, IO(PINC)
    lds r25, LAST_C
    cp r24, r25
    brne changed

#endif

leave:
    pop r25
    pop r24
    out IO(SREG), r24
    pop r24
    reti

full:                       ; what was queued last stays, so the next sample tries again
    lds r24, LOST
    lds r25, LOST + 1
    adiw r24, 1
    sts LOST, r24
    sts LOST + 1, r25
    rjmp restore

changed:
    push r26
    push r27
    lds r24, HEAD
    inc r24
    andi r24, 15
    lds r25, TAIL
    cp r24, r25
    breq full
    sts HEAD, r24           ; the consumer cannot look before this interrupt is over
    dec r24
    andi r24, 15
    lsl r24
#if defined(__AVR_ATmega328P__)
    lsl r24                 ; four bytes a slot
#else
    mov r25, r24
    lsl r24
    add r24, r25            ; six bytes a slot
#endif
    ldi r26, lo8(SLOTS)
    ldi r27, hi8(SLOTS)
    add r26, r24
    brcc 1f
    inc r27
1:  lds r24, TCNT1L         ; the low byte first: it latches the high one
    st X+, r24
    lds r24, TCNT1H
    st X+, r24

    ; The pins are read again, all at once, and whatever they are now is what is queued.
#if defined(__AVR_ATmega328P__)
    in r24, IO(PIND)
    out IO(GPIOR0), r24
    com r24
    lsr r24
    lsr r24                 ; D2 to D7 -> bits 0 to 5
    in r25, IO(PINB)
    out IO(GPIOR1), r25
    com r25
    bst r25, 0
    bld r24, 6
    bst r25, 1
    bld r24, 7
    st X+, r24              ; D8, D9 -> bits 6, 7
    lsr r25
    lsr r25
    andi r25, 0x07          ; D10 to D12 -> bits 8 to 10
    in r24, IO(PINC)
    out IO(GPIOR2), r24
    com r24
    lsl r24
    lsl r24
    lsl r24                 ; A0 to A4 -> bits 11 to 15
    or r24, r25
    st X+, r24
#else
    in r24, IO(PINA)
    out IO(GPIOR0), r24
    com r24
    st X+, r24
    in r24, IO(PINF)
    out IO(GPIOR1), r24
    com r24
    st X+, r24
    lds r24, PINK
    out IO(GPIOR2), r24
    com r24
    st X+, r24
    in r24, IO(PINC)
    sts LAST_C, r24
    com r24
    st X+, r24
#endif

restore:
    pop r27
    pop r26
    rjmp leave
