/* A small loader for the ATmega328P, as newer Nanos and the Uno carry one: STK500 version 1
 * commands (Atmel application note AVR061) at 115200 baud, in the 512 bytes of boot section at
 * 0x7E00.
 *
 * Test-only. It knows what avrdude needs to write and read back flash; EEPROM and fuses are out of
 * its reach. One second without a command, or a reset by the watchdog, starts the application. */
#include <avr/boot.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/wdt.h>
#include <stdbool.h>
#include <stdint.h>

enum {
    ok = 0x10,
    in_sync = 0x14,
    end_of_command = 0x20,
    get_parameter = 0x41,
    set_device = 0x42,
    set_device_ext = 0x45,
    leave_programming = 0x51,
    load_address = 0x55,
    universal = 0x56,
    program_page = 0x64,
    read_page = 0x74,
    read_signature = 0x75,
};

static uint8_t receive(void) {
    while (!(UCSR0A & _BV(RXC0))) {
    }
    bool is_whole = !(UCSR0A & _BV(FE0));
    uint8_t byte = UDR0;
    if (is_whole) { /* what comes at another speed does not keep the application waiting */
        wdt_reset();
    }
    return byte;
}

static void send(uint8_t byte) {
    while (!(UCSR0A & _BV(UDRE0))) {
    }
    UDR0 = byte;
}

static void skip(uint8_t count) {
    do {
        receive();
    } while (--count);
}

static void end_command(void) {
    if (receive() != end_of_command) {
        for (;;) { /* out of step: the watchdog ends it, and the host begins anew */
        }
    }
    send(in_sync);
}

static void write_page(uint16_t address, uint16_t length) {
    boot_page_erase(address);
    boot_spm_busy_wait();
    for (uint16_t i = 0; i < length; i += 2) {
        uint16_t word = receive();
        word |= (uint16_t)(receive() << 8);
        boot_page_fill(address + i, word);
    }
    end_command();
    boot_page_write(address);
    boot_spm_busy_wait();
    boot_rww_enable();
}

int main(void) __attribute__((OS_main, section(".init9")));
int main(void) {
    uint16_t address = 0;
    __asm__ volatile("clr __zero_reg__");
    SP = RAMEND;
    uint8_t cause = MCUSR;
    MCUSR = 0;
    if (!(cause & _BV(EXTRF))) {
        wdt_disable();
        ((void (*)(void))0)();
    }
    WDTCSR = _BV(WDCE) | _BV(WDE);
    WDTCSR = _BV(WDE) | _BV(WDP2) | _BV(WDP1); /* one second */
    UCSR0A = _BV(U2X0);
    UBRR0 = 16; /* 117647 baud */
    UCSR0B = _BV(RXEN0) | _BV(TXEN0);

    for (;;) {
        uint8_t command = receive();
        if (command == get_parameter) {
            skip(1);
            end_command();
            send(3);
        } else if (command == set_device || command == set_device_ext) {
            skip(command == set_device ? 20 : 5);
            end_command();
        } else if (command == load_address) {
            address = receive();
            address |= (uint16_t)(receive() << 8);
            address = (uint16_t)(address << 1);
            end_command();
        } else if (command == universal) {
            skip(4);
            end_command();
            send(0);
        } else if (command == program_page || command == read_page) {
            uint16_t length = (uint16_t)(receive() << 8);
            length |= receive();
            skip(1); /* the kind of memory */
            if (command == program_page) {
                write_page(address, length);
            } else {
                end_command();
                for (uint16_t i = 0; i < length; i++) {
                    send(pgm_read_byte(address + i));
                }
            }
        } else if (command == read_signature) {
            end_command();
            send(SIGNATURE_0);
            send(SIGNATURE_1);
            send(SIGNATURE_2);
        } else {
            end_command();
        }
        send(ok);
        if (command == leave_programming) {
            wdt_enable(WDTO_15MS);
            for (;;) {
            }
        }
    }
}
