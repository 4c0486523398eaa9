// A firmware that exists to test the rig: each command below uses one thing the rig has to get
// right. Commands are one letter and its arguments; bytes from 0x80 up are echoed. 500 kbaud, 8N1.
//
//   C v, D v   write PORTC, DDRC                     r        reply PINC
//   m          from now on send 'P' PINC whenever the 20 kHz sampler sees PINC change
//   W a v      write EEPROM without waiting, reply 'W' when started and 'w' when EEPE is clear
//   E          reply 'E' from the EEPROM-ready interrupt           R a      reply EEPROM byte
//   t n        send n bytes from the data-register-empty interrupt
//   p n        send n bytes by polling, interrupts off
//   o          toggle the lamp by SBI on PINB        O v      write DDRB
//   s n        recurse n deep                        b n      interrupts off for n times 64 us
//   x          hang, so that the watchdog bites      z        sleep with interrupts off
//   k          write outside memory                  I        interrupt on both edges of INT0
//   L a v      try an EEPROM write too late after EEMPE
//   f n        as b, then receiver off and on: what came meanwhile is lost
//   S          note what GPIOR0 counts to between SEI and a waiting interrupt
//   T          send 'T', wait for the transmit-complete flag, send 't'
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <stdint.h>
#include <util/delay_basic.h>

#ifdef USART0_RX_vect
#define RX_VECT USART0_RX_vect
#define UDRE_VECT USART0_UDRE_vect
#else
#define RX_VECT USART_RX_vect
#define UDRE_VECT USART_UDRE_vect
#endif

static volatile uint8_t rx_ring[256], rx_head, rx_tail;
static volatile uint8_t tx_ring[256], tx_head, tx_tail;
static volatile uint8_t burst_left, mirror, eeprom_busy;
volatile uint16_t probe_marker = 0xBEEF;                  // for read_memory()
volatile uint8_t probe_status;                            // UCSR0A at the end of b
volatile uint8_t probe_served_after;                      // instructions after SEI
uint8_t probe_cookie __attribute__((section(".noinit"))); // survives every reset but power-on
uint8_t probe_reset_flags __attribute__((section(".noinit")));

// Before anything else: after a watchdog reset the watchdog still runs, at its shortest.
void catch_reset_cause(void) __attribute__((naked, used, section(".init3")));
void catch_reset_cause(void) {
    probe_reset_flags = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

ISR(RX_VECT) {
    rx_ring[rx_head++] = UDR0;
}

ISR(UDRE_VECT) {
    if (tx_head != tx_tail) {
        UDR0 = tx_ring[tx_tail++];
    } else if (burst_left) {
        UDR0 = burst_left--;
    } else {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
    }
}

static void put(uint8_t byte) {
    tx_ring[tx_head++] = byte;
    UCSR0B |= _BV(UDRIE0);
}

static void sample(void) {
    static uint8_t last;
    uint8_t now = PINC;
    if (mirror && now != last) {
        put('P');
        put(now);
    }
    last = now;
}

ISR(TIMER2_COMPA_vect) {
    sample();
}

// Known to the cycle: entry 4 (5), JMP 3, PUSH 2, POP 2, RETI 4 (5): 15 (17 on the 2560).
ISR(INT0_vect, ISR_NAKED) {
    __asm__ volatile("push r0\n\tpop r0\n\treti");
}

// Fires as long as the EEPROM is ready: switches itself off.
ISR(EE_READY_vect) {
    probe_served_after = GPIOR0;
    EECR &= (uint8_t)~_BV(EERIE);
    put('E');
}

static uint8_t argument(void) {
    while (rx_head == rx_tail)
        wdt_reset();
    return rx_ring[rx_tail++];
}

static void start_eeprom_write(void) {
    EEAR = argument();
    EEDR = argument();
    cli();
    EECR |= _BV(EEMPE);
    EECR |= _BV(EEPE);
    sei();
    eeprom_busy = 1;
    put('W');
}

static uint8_t eeprom_byte(void) {
    EEAR = argument();
    EECR |= _BV(EERE);
    return EEDR;
}

static void send_polled(uint8_t count) {
    cli();
    while (count) {
        if (UCSR0A & _BV(UDRE0))
            UDR0 = count--;
    }
    sei();
}

static uint8_t __attribute__((noinline)) recurse(uint8_t depth) {
    volatile uint8_t room[8];
    room[0] = depth;
    if (depth)
        room[1] = recurse((uint8_t)(depth - 1));
    return room[0];
}

static void block(uint8_t units) {
    cli();
    for (; units; units--)
        _delay_loop_2(256); // 4 cycles each: 64 us
    probe_status = UCSR0A;
}

static void block_deaf(uint8_t units) {
    block(units);
    UCSR0B &= (uint8_t)~_BV(RXEN0);
    UCSR0B |= _BV(RXEN0);
}

static void write_eeprom_late(void) {
    EEAR = argument();
    EEDR = argument();
    EECR |= _BV(EEMPE);
    _delay_loop_1(3);
    EECR |= _BV(EEPE);
}

static void send_and_wait(void) {
    UCSR0A |= _BV(TXC0); // written as one, it is cleared
    UDR0 = 'T';
    while (!(UCSR0A & _BV(TXC0))) {
    }
    put('t');
}

static void serve_waiting(void) {
    cli();
    GPIOR0 = 0;
    EECR |= _BV(EERIE); // ready: waits from now on
    __asm__ volatile("sei\n\tout %0, %1\n\tout %0, %2\n\tout %0, %3"
                     :
                     : "I"(_SFR_IO_ADDR(GPIOR0)), "r"((uint8_t)1), "r"((uint8_t)2),
                       "r"((uint8_t)3));
}

static void sleep_for_good(void) {
    cli();
    sleep_enable();
    sleep_cpu();
}

static void obey(uint8_t command) {
    if (command >= 0x80) { // first, to keep up with the line
        put(command);
        return;
    }
    switch (command) {
    case 'C':
        PORTC = argument();
        break;
    case 'D':
        DDRC = argument();
        break;
    case 'r':
        put(PINC);
        break;
    case 'm':
        mirror = 1;
        break;
    case 'W':
        start_eeprom_write();
        break;
    case 'E':
        EECR |= _BV(EERIE);
        break;
    case 'R':
        put(eeprom_byte());
        break;
    case 't':
        burst_left = argument();
        UCSR0B |= _BV(UDRIE0);
        break;
    case 'p':
        send_polled(argument());
        break;
    case 'o':
        __asm__ volatile("sbi %0, 5" : : "I"(_SFR_IO_ADDR(PINB)));
        break;
    case 'O':
        DDRB = argument();
        break;
    case 's':
        put(recurse(argument()));
        break;
    case 'b':
        block(argument());
        sei();
        break;
    case 'f':
        block_deaf(argument());
        sei();
        break;
    case 'L':
        write_eeprom_late();
        break;
    case 'S':
        serve_waiting();
        break;
    case 'T':
        send_and_wait();
        break;
    case 'x':
        cli();
        for (;;) {
        }
    case 'z':
        sleep_for_good();
        break;
    case 'k':
        *(volatile uint8_t *)0xF000 = 1;
        break;
    case 'I':
        EICRA = _BV(ISC00);
        EIMSK = _BV(INT0);
        break;
    }
}

int main(void) {
    UCSR0A = _BV(U2X0);
    UBRR0 = 3;
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
    TCCR2A = _BV(WGM21);
    OCR2A = 99;
    TCCR2B = _BV(CS21);
    TIMSK2 = _BV(OCIE2A);
    wdt_enable(WDTO_15MS);
    set_sleep_mode(SLEEP_MODE_IDLE);
    put('H');
    put(probe_reset_flags);
    put(probe_cookie);
    probe_cookie = 0xC0;
    sei();
    for (;;) {
        wdt_reset();
        if (eeprom_busy && !(EECR & _BV(EEPE))) {
            eeprom_busy = 0;
            put('w');
        }
        cli();
        if (rx_head == rx_tail) {
            sleep_enable();
            sei();
            sleep_cpu();
            sleep_disable();
        } else {
            sei();
            obey(argument());
        }
    }
}
