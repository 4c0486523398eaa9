/* ATmega328P and ATmega2560 at 16 MHz behind port.h: registers, two timers, one UART.
 *
 * Timer 2 calls the sampling interrupt (sample.S); timer 1 runs free at 0.5 us and stamps it. */
#include "../../port.h"

#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>
#include <stddef.h>
#include <util/atomic.h>

#if F_CPU != 16000000
#error "timer and baud settings are for 16 MHz"
#endif

#if defined(__AVR_ATmega328P__)
#include "pins_328p.h"
#define SERIAL_RX_vect USART_RX_vect
#define SERIAL_UDRE_vect USART_UDRE_vect
#define RECEIVE_BYTES 32 /* 0.64 ms of the line: an acknowledgement and another command */
#else
#include "pins_2560.h"
#define SERIAL_RX_vect USART0_RX_vect
#define SERIAL_UDRE_vect USART0_UDRE_vect
#define RECEIVE_BYTES 128 /* twice the inputs take twice the time until the line is looked at */
#endif

#define SAMPLE_US 50
/* Timer 2 at clock / 8: 100 ticks of 0.5 us. */
#define SAMPLE_TICKS (SAMPLE_US * 2)

const struct device_config port_config = {
    .build = REEDPROOF_BUILD,
    .kind = REEDPROOF_BOARD,
    .inputs = INPUT_COUNT,
    .sample_us = SAMPLE_US,
};

/* ---- start ---- */

/* The chip's reset flags, saved before main() clears .bss; the loader may have cleared them. */
static uint8_t reset_flags __attribute__((section(".noinit")));

/* Left by port_reboot() in RAM that survives a reset. */
#define REBOOT_MARK 0x5AA5u
static uint16_t reboot_mark __attribute__((section(".noinit")));

/* A watchdog that ran out is still on with its shortest time: it has to be stopped at once. */
void save_reset_flags(void) __attribute__((naked, used, section(".init3")));
void save_reset_flags(void) {
    reset_flags = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

uint8_t port_reset_cause(void) {
    bool requested = reboot_mark == REBOOT_MARK;
    reboot_mark = 0;
    if (reset_flags & _BV(PORF)) {
        return RESET_POWER_ON; /* comes first: the other flags may be left over from before */
    }
    if (requested) {
        return RESET_REQUESTED; /* also where a loader has cleared the flags */
    }
    if (reset_flags & _BV(WDRF)) {
        return RESET_WATCHDOG;
    }
    if (reset_flags & _BV(BORF)) {
        return RESET_BROWN_OUT;
    }
    return reset_flags & _BV(EXTRF) ? RESET_EXTERNAL : RESET_UNKNOWN;
}

/* What waits to be sent goes out meanwhile: 63 bytes take 1.3 ms, and interrupts are on. */
void port_reboot(void) {
    reboot_mark = REBOOT_MARK;
    wdt_enable(WDTO_15MS);
    for (;;) {
    }
}

void port_watchdog(void) {
    wdt_reset();
}

/* ---- time ---- */

static volatile uint32_t overflows; /* of timer 1, every 32.8 ms; 17 bits of them count */

ISR(TIMER1_OVF_vect) {
    overflows++;
}

/* Interrupts are off for the reading only: the sampling interrupt must not be late. */
static uint16_t read_clock(uint32_t *high) {
    uint16_t now;
    uint8_t flags;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        now = TCNT1;
        flags = TIFR1;
        *high = overflows;
    }
    if ((flags & _BV(TOV1)) && now < 0x8000u) {
        ++*high; /* it ran over just now and the interrupt still waited */
    }
    return now;
}

/* `high << 15 | ticks >> 1` without the shift by 15: the chip shifts by one bit or by whole bytes.
 */
static uint32_t to_us(uint32_t high, uint16_t ticks) {
    uint16_t low = ticks >> 1;
    if (high & 1) {
        low |= 0x8000u;
    }
    return high >> 1 << 16 | low;
}

uint32_t port_now_us(void) {
    uint32_t high;
    uint16_t now = read_clock(&high);
    return to_us(high, now);
}

/* ---- inputs ---- */

struct sampler sampler; /* filled by sample.S, which knows this layout: */

_Static_assert(offsetof(struct sampler, head) == 0, "sample.S");
_Static_assert(offsetof(struct sampler, tail) == 1, "sample.S");
_Static_assert(offsetof(struct sampler, lost) == 2, "sample.S");
_Static_assert(offsetof(struct sampler, last) == 4, "sample.S");
_Static_assert(offsetof(struct sampler, slots) == 4 + sizeof(levels_t), "sample.S");
_Static_assert(sizeof(struct snapshot) == 2 + sizeof(levels_t), "sample.S");
_Static_assert(SAMPLER_SLOTS == 16, "sample.S");

/* A stamp wraps in 32.8 ms. The loop comes round far more often, but a full queue of samples, each
 * with a record for every input, takes longer on the Mega. What is this late is lost, save the
 * newest: a wrong time would be worse, and the levels must be known in the end. */
#define LATE_TICKS 0x8000u

bool port_take_sample(uint32_t *time_us, levels_t *levels) {
    struct snapshot snapshot;
    uint32_t high;
    uint16_t now;
    for (;;) {
        if (!sampler_take(&sampler, &snapshot)) {
            return false;
        }
        now = read_clock(&high);
        if ((uint16_t)(now - snapshot.stamp) < LATE_TICKS || sampler.tail == sampler.head) {
            break;
        }
        ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
            sampler.lost++;
        }
    }
    if (snapshot.stamp > now) {
        high--;
    }
    *time_us = to_us(high, snapshot.stamp);
    *levels = snapshot.levels;
    return true;
}

uint16_t port_samples_lost(void) {
    uint16_t lost;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        lost = sampler.lost;
    }
    return lost;
}

#if defined(__AVR_ATmega328P__)

levels_t port_read_levels(void) {
    uint8_t d = (uint8_t)~PIND & MASK_D;
    uint8_t b = (uint8_t)~PINB & MASK_B;
    uint8_t c = (uint8_t)~PINC & MASK_C;
    return (levels_t)((d >> 2) | (uint16_t)((uint16_t)b << 6) | (uint16_t)((uint16_t)c << 11));
}

void port_drive(struct selftest_pins pins) {
    uint8_t pull_d = (uint8_t)((pins.pulled << 2) & MASK_D);
    uint8_t pull_b = (uint8_t)((pins.pulled >> 6) & MASK_B);
    uint8_t pull_c = (uint8_t)((pins.pulled >> 11) & MASK_C);
    uint8_t low_d = (uint8_t)((pins.driven << 2) & MASK_D);
    uint8_t low_b = (uint8_t)((pins.driven >> 6) & MASK_B);
    uint8_t low_c = (uint8_t)((pins.driven >> 11) & MASK_C);
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        /* Outputs end before pull-ups come on and pull-ups end before outputs begin: with the
         * other order a pin would be driven high for an instant. */
        DDRD = (uint8_t)(DDRD & ~MASK_D);
        DDRB = (uint8_t)(DDRB & ~MASK_B);
        DDRC = (uint8_t)(DDRC & ~MASK_C);
        PORTD = (uint8_t)((PORTD & ~MASK_D) | pull_d);
        PORTB = (uint8_t)((PORTB & ~MASK_B) | pull_b);
        PORTC = (uint8_t)((PORTC & ~MASK_C) | pull_c);
        DDRD = (uint8_t)(DDRD | low_d);
        DDRB = (uint8_t)(DDRB | low_b);
        DDRC = (uint8_t)(DDRC | low_c);
    }
}

/* So that the first sample finds "all open" queued last, like the rest of the firmware. */
static void forget_levels(void) {
    GPIOR0 = 0xFF;
    GPIOR1 = 0xFF;
    GPIOR2 = 0xFF;
}

#else

levels_t port_read_levels(void) {
    uint8_t a = (uint8_t)~PINA;
    uint8_t f = (uint8_t)~PINF;
    uint8_t k = (uint8_t)~PINK;
    uint8_t c = (uint8_t)~PINC;
    return a | (uint32_t)f << 8 | (uint32_t)k << 16 | (uint32_t)c << 24;
}

void port_drive(struct selftest_pins pins) {
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        DDRA = 0;
        DDRF = 0;
        DDRK = 0;
        DDRC = 0;
        PORTA = (uint8_t)pins.pulled;
        PORTF = (uint8_t)(pins.pulled >> 8);
        PORTK = (uint8_t)(pins.pulled >> 16);
        PORTC = (uint8_t)(pins.pulled >> 24);
        DDRA = (uint8_t)pins.driven;
        DDRF = (uint8_t)(pins.driven >> 8);
        DDRK = (uint8_t)(pins.driven >> 16);
        DDRC = (uint8_t)(pins.driven >> 24);
    }
}

static void forget_levels(void) {
    GPIOR0 = 0xFF;
    GPIOR1 = 0xFF;
    GPIOR2 = 0xFF;
    *(volatile uint8_t *)&sampler.last = 0xFF; /* port C, see sample.S */
}

#endif

void port_lamp(bool lit) {
    if (lit) {
        PORTB |= _BV(LAMP_BIT);
    } else {
        PORTB = (uint8_t)(PORTB & ~_BV(LAMP_BIT));
    }
}

/* ---- serial line: 500 kbaud, exact at 16 MHz ---- */

#define SEND_BYTES 64 /* powers of two; one byte stays empty */

static uint8_t send_ring[SEND_BYTES];
static volatile uint8_t send_head;
static volatile uint8_t send_tail;
static uint8_t receive_ring[RECEIVE_BYTES];
static volatile uint8_t receive_head;
static volatile uint8_t receive_tail;

ISR(SERIAL_RX_vect) {
    uint8_t byte = UDR0;
    uint8_t next = (uint8_t)((receive_head + 1) & (RECEIVE_BYTES - 1));
    if (next != receive_tail) { /* else the byte is lost, the frame's CRC tells, the host repeats */
        receive_ring[receive_head] = byte;
        receive_head = next;
    }
}

ISR(SERIAL_UDRE_vect) {
    uint8_t tail = send_tail;
    UDR0 = send_ring[tail];
    tail = (uint8_t)((tail + 1) & (SEND_BYTES - 1));
    send_tail = tail;
    if (tail == send_head) {
        UCSR0B = (uint8_t)(UCSR0B & ~_BV(UDRIE0));
    }
}

bool port_receive(uint8_t *byte) {
    uint8_t tail = receive_tail;
    if (tail == receive_head) {
        return false;
    }
    *byte = receive_ring[tail];
    receive_tail = (uint8_t)((tail + 1) & (RECEIVE_BYTES - 1));
    return true;
}

uint8_t port_send_room(void) {
    return (uint8_t)((send_tail - send_head - 1) & (SEND_BYTES - 1));
}

void port_send(const uint8_t *bytes, uint8_t length) {
    uint8_t head = send_head;
    while (length-- != 0) {
        send_ring[head] = *bytes++;
        head = (uint8_t)((head + 1) & (SEND_BYTES - 1));
    }
    send_head = head;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        UCSR0B |= _BV(UDRIE0);
    }
}

/* ---- non-volatile memory ---- */

void port_nv_read(uint16_t address, uint8_t *bytes, uint8_t length) {
    while (length-- != 0) {
        *bytes++ = eeprom_read_byte((const uint8_t *)(uintptr_t)address++);
    }
}

bool port_nv_is_ready(void) {
    return eeprom_is_ready();
}

void port_nv_write(uint16_t address, uint8_t byte) {
    EEAR = address;
    EEDR = byte;
    EECR = 0; /* erase and write in one go */
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        EECR |= _BV(EEMPE);
        EECR |= _BV(EEPE);
    }
}

void port_init(void) {
    struct selftest_pins pulled = {.pulled = (levels_t) ~(levels_t)0, .driven = 0};
    port_drive(pulled);
    DDRB |= _BV(LAMP_BIT);
    forget_levels();

    UCSR0A = _BV(U2X0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UBRR0 = 3; /* 16 MHz / (8 * (3 + 1)) */
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);

    TCCR1B = _BV(CS11); /* clock / 8 */
    TIMSK1 = _BV(TOIE1);
    OCR2A = SAMPLE_TICKS - 1;
    TCCR2A = _BV(WGM21);
    TCCR2B = _BV(CS21); /* clock / 8 */
    TIMSK2 = _BV(OCIE2A);
    wdt_enable(WDTO_500MS);
    sei();
}
