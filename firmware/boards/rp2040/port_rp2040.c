/* Raspberry Pi Pico behind port.h: clocks, pins, timer, watchdog; flash and USB are beside it.
 *
 * Emulator-tested, not yet run on hardware. The processor and USB run at 48 MHz from one PLL; the
 * timer counts microseconds and calls the sampling interrupt. */
#include "../../port.h"

#include "flash.h"
#include "nv.h"
#include "pins_pico.h"
#include "rp2040.h"
#include "start.h"
#include "usb.h"

#define SAMPLE_US 50u
#define WATCHDOG_US 1000000u /* the flash may take half of it when a boot is numbered */

const struct device_config port_config = {
    .build = REEDPROOF_BUILD,
    .kind = REEDPROOF_BOARD,
    .inputs = INPUT_COUNT,
    .sample_us = SAMPLE_US,
};

/* ---- start ---- */

#define CRYSTAL_MHZ 12u

/* After the watchdog's reset this finds them in reset; after a debugger's it may not. */
static void restart_blocks(uint32_t blocks) {
    SET(RESETS_RESET) = blocks;
    CLEAR(RESETS_RESET) = blocks;
    while ((RESETS_DONE & blocks) != blocks) {
    }
}

static void start_clocks(void) {
    XOSC_STARTUP = 5 * CRYSTAL_MHZ * 1000 / 256; /* 5 ms */
    XOSC_CTRL = XOSC_ENABLE | XOSC_1_15_MHZ;
    while (!(XOSC_STATUS & XOSC_STABLE)) {
    }
    CLK_REF_CTRL = CLK_REF_FROM_XOSC;
    while (!(CLK_REF_SELECTED & 1u << CLK_REF_FROM_XOSC)) {
    }
    CLEAR(CLK_SYS_CTRL) = CLK_SYS_FROM_AUX; /* the PLL may be what it runs from */
    while (!(CLK_SYS_SELECTED & 1u)) {
    }

    restart_blocks(RESET_PLL_USB);
    PLL_USB_CS = 1;
    PLL_USB_FBDIV = 100; /* 1200 MHz */
    CLEAR(PLL_USB_PWR) = PLL_OFF | PLL_VCO_OFF;
    while (!(PLL_USB_CS & PLL_LOCK)) {
    }
    PLL_USB_PRIM = 5u << 16 | 5u << 12; /* / 25 = 48 MHz */
    CLEAR(PLL_USB_PWR) = PLL_POST_DIVIDERS_OFF;

    CLK_SYS_CTRL = CLK_SYS_AUX_PLL_USB;
    SET(CLK_SYS_CTRL) = CLK_SYS_FROM_AUX;
    while (!(CLK_SYS_SELECTED & 1u << CLK_SYS_FROM_AUX)) {
    }
    CLK_USB_CTRL = CLK_USB_ENABLE;
    WATCHDOG_TICK = WATCHDOG_TICK_ENABLE | CRYSTAL_MHZ; /* once in a microsecond, the timer's too */
}

/* In a register that survives the watchdog; the boot ROM leaves it alone. */
#define REBOOT_MARK 0x5AA55AA5u
#define RUNNING_MARK 0xC33CC33Cu

static uint8_t reset_cause;

/* A power-on stays noted through the watchdog's resets, so the watchdog comes first. The boot ROM
 * uses it, too, to start what was copied to its drive. */
static uint8_t find_reset_cause(void) {
    uint32_t mark = WATCHDOG_SCRATCH0;
    WATCHDOG_SCRATCH0 = RUNNING_MARK;
    if (WATCHDOG_REASON != 0) {
        return mark == REBOOT_MARK    ? RESET_REQUESTED
               : mark == RUNNING_MARK ? RESET_WATCHDOG
                                      : RESET_UNKNOWN;
    }
    if (CHIP_RESET & CHIP_HAD_POWER_ON) {
        return RESET_POWER_ON;
    }
    return (CHIP_RESET & CHIP_HAD_RUN_PIN) ? RESET_EXTERNAL : RESET_UNKNOWN;
}

uint8_t port_reset_cause(void) {
    return reset_cause;
}

static void feed_watchdog(void) {
    WATCHDOG_LOAD = 2 * WATCHDOG_US; /* the chip counts each microsecond twice (RP2040-E1) */
}

/* A host may still be reading what it was sent when the port goes. */
#define GOODBYE_US 20000u

/* The watchdog also ends this where a host does not read. */
void port_reboot(void) {
    WATCHDOG_SCRATCH0 = REBOOT_MARK;
    while (!usb_is_drained() || !nv_is_ready()) {
        usb_poll();
    }
    uint32_t since_us = port_now_us();
    while (port_now_us() - since_us < GOODBYE_US) {
        usb_poll();
    }
    SET(WATCHDOG_CTRL) = WATCHDOG_TRIGGER;
    for (;;) {
    }
}

/* ---- time ---- */

uint32_t port_now_us(void) {
    return TIMER_RAWL;
}

/* ---- inputs ---- */

static struct sampler sampler;

levels_t port_read_levels(void) {
    uint32_t closed = ~SIO_IN;
    return (closed & LOW_MASK) | (closed & HIGH_MASK) >> KEPT_PINS;
}

/* An alarm comes when the time equals it: one that is set too late would come in 71 minutes. */
void sample(void) {
    TIMER_INTR = 1u << IRQ_TIMER_0;
    uint32_t now_us = TIMER_RAWL;
    uint32_t next_us = TIMER_ALARM0 + SAMPLE_US;
    TIMER_ALARM0 = next_us - now_us - 2 < SAMPLE_US ? next_us : now_us + SAMPLE_US;
    sampler_sample(&sampler, (uint16_t)now_us, port_read_levels());
}

/* What waited longer than the protocol says is lost, save the newest, as on the other boards; a
 * stamp would wrap after 65 ms. */
#define LATE_US 16384u

bool port_take_sample(uint32_t *time_us, levels_t *levels) {
    struct snapshot snapshot;
    while (sampler_take(&sampler, &snapshot)) {
        uint32_t now_us = TIMER_RAWL;
        uint16_t age_us = (uint16_t)(now_us - snapshot.stamp);
        if (age_us < LATE_US || sampler.tail == sampler.head) {
            *time_us = now_us - age_us;
            *levels = snapshot.levels;
            return true;
        }
        __asm volatile("cpsid i" ::: "memory");
        sampler.lost++;
        __asm volatile("cpsie i" ::: "memory");
    }
    return false;
}

/* Sleeps until something changed, or for so many samples at most: then USB is looked at again. */
#define IDLE_SAMPLES 8

void port_watchdog(void) {
    feed_watchdog();
    for (uint8_t i = 0; i < IDLE_SAMPLES && sampler.tail == sampler.head; i++) {
        __asm volatile("wfi");
    }
}

uint16_t port_samples_lost(void) {
    return sampler.lost;
}

static uint32_t pin_of(uint8_t input) {
    return input < LOW_PINS ? input : input + (uint32_t)KEPT_PINS;
}

static uint32_t pins_of(levels_t levels) {
    return (levels & LOW_MASK) | (levels << KEPT_PINS & HIGH_MASK);
}

/* A pin that is neither pulled up nor driven is pulled down: an open line loses its charge at once.
 * Outputs end before pull-ups come on, pull-ups end before outputs begin. */
void port_drive(struct selftest_pins pins) {
    SIO_OUTPUT_CLEAR = pins_of((levels_t)~pins.driven);
    for (uint8_t input = 0; input < INPUT_COUNT; input++) {
        levels_t bit = level_bit(input);
        uint32_t pull = PAD_PULL_DOWN;
        if (pins.pulled & bit) {
            pull = PAD_PULL_UP;
        } else if (pins.driven & bit) {
            pull = 0;
        }
        PAD(pin_of(input)) = PAD_INPUT | PAD_4_MA | PAD_SCHMITT | pull;
    }
    SIO_OUTPUT_SET = pins_of(pins.driven); /* low: nothing else is ever put out */
}

void port_lamp(bool lit) {
    if (lit) {
        SIO_OUT_SET = 1u << LAMP_PIN;
    } else {
        SIO_OUT_CLEAR = 1u << LAMP_PIN;
    }
}

static void start_pins(void) {
    SIO_OUT_CLEAR = LOW_MASK | HIGH_MASK | 1u << LAMP_PIN;
    for (uint8_t input = 0; input < INPUT_COUNT; input++) {
        GPIO_CTRL(pin_of(input)) = GPIO_FUNCTION_SIO;
    }
    port_drive((struct selftest_pins){.pulled = (levels_t) ~(levels_t)0, .driven = 0});
    GPIO_CTRL(LAMP_PIN) = GPIO_FUNCTION_SIO;
    SIO_OUTPUT_SET = 1u << LAMP_PIN;
}

/* ---- serial line, non-volatile memory ---- */

bool port_receive(uint8_t *byte) {
    usb_poll();
    return usb_receive(byte);
}

uint8_t port_send_room(void) {
    return usb_send_room();
}

void port_send(const uint8_t *bytes, uint8_t length) {
    usb_send(bytes, length);
}

void port_nv_read(uint16_t address, uint8_t *bytes, uint8_t length) {
    nv_read(address, bytes, length);
}

bool port_nv_is_ready(void) {
    return nv_is_ready();
}

void port_nv_write(uint16_t address, uint8_t byte) {
    nv_write(address, byte);
}

/* The flash chip's own number: the same board is known again on any port. */
static const char *own_serial(void) {
    static const char digits[] = "0123456789ABCDEF";
    static char serial[USB_SERIAL_CHARACTERS];
    uint8_t id[FLASH_ID_BYTES];
    flash_read_id(id);
    for (uint8_t i = 0; i < FLASH_ID_BYTES; i++) {
        serial[2 * i] = digits[id[i] >> 4];
        serial[2 * i + 1] = digits[id[i] & 0xF];
    }
    return serial;
}

void port_init(void) {
    reset_cause = find_reset_cause();
    start_clocks();
    restart_blocks(RESET_IO_BANK0 | RESET_PADS_BANK0 | RESET_TIMER | RESET_USBCTRL);
    start_pins();

    flash_init();
    const char *serial = own_serial();
    nv_init();
    usb_init(serial);

    feed_watchdog();
    PSM_WDSEL = PSM_ALL_BUT_OSCILLATORS;
    SET(WATCHDOG_CTRL) = WATCHDOG_ENABLE;

    TIMER_INTE = 1u << IRQ_TIMER_0;
    TIMER_ALARM0 = TIMER_RAWL + SAMPLE_US;
    NVIC_ISER = 1u << IRQ_TIMER_0;
}
