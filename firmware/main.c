/* The main loop of every board. */
#include "port.h"

#include <string.h> /* memcmp */

static struct device device;

static void write_slot(uint8_t at, const uint8_t slot[BOOT_SLOT_BYTES]) {
    for (uint8_t i = 0; i < BOOT_SLOT_BYTES; i++) {
        while (!port_nv_is_ready()) {
        }
        port_nv_write((uint16_t)(NV_BOOT_AT + at + i), slot[i]);
    }
}

static bool slot_holds(uint8_t at, const uint8_t slot[BOOT_SLOT_BYTES]) {
    uint8_t found[BOOT_SLOT_BYTES];
    port_nv_read((uint16_t)(NV_BOOT_AT + at), found, BOOT_SLOT_BYTES);
    return memcmp(found, slot, BOOT_SLOT_BYTES) == 0;
}

/* The boot is numbered in non-volatile memory before anything is sent under that number. A worn
 * slot would give the same number at every boot, so the next one is tried. */
static uint32_t number_this_boot(void) {
    uint8_t slots[BOOT_BYTES];
    uint8_t slot[BOOT_SLOT_BYTES];
    uint8_t at;
    port_nv_read(NV_BOOT_AT, slots, BOOT_BYTES);
    uint32_t boot = boot_count(slots, &at, slot);
    for (uint8_t tries = 0; tries < BOOT_SLOTS; tries++) {
        write_slot(at, slot);
        if (slot_holds(at, slot)) {
            break;
        }
        at = boot_slot_after(at);
    }
    return boot;
}

/* Not inlined: main() never returns, so its arrays would hold a fifth of the stack for ever. */
static __attribute__((noinline)) void start(void) {
    uint32_t boot = number_this_boot();
    uint8_t image[SETTINGS_BYTES];
    port_nv_read(NV_SETTINGS_AT, image, SETTINGS_BYTES);
    /* Numbering took its time: what was sampled meanwhile is older than the levels read now. */
    uint32_t time_us;
    levels_t levels;
    while (port_take_sample(&time_us, &levels)) {
    }
    device_init(&device, &port_config, image, boot, port_reset_cause(), port_now_us(),
                port_read_levels());
}

static void receive(void) {
    uint8_t byte;
    while (port_receive(&byte)) {
        /* A frame ends in a zero byte; only then is the time of interest, and reading it costs. */
        device_receive(&device, byte == 0 ? port_now_us() : 0, byte);
    }
}

static void transmit(void) {
    uint8_t room = port_send_room();
    uint8_t frame[FRAME_MAX];
    uint8_t length = device_transmit(&device, frame, room);
    if (length != 0) {
        port_send(frame, length);
    }
}

/* `now_us` is read first: whatever was sampled before it is in the queue already, so nothing older
 * can turn up after the poll. A storm keeps the queue from running dry: then it is the time of the
 * last sample that nothing older can follow. */
static void take_samples(void) {
    uint32_t now_us = port_now_us();
    for (uint8_t i = 0; i < SAMPLER_SLOTS; i++) {
        uint32_t time_us;
        levels_t levels;
        if (!port_take_sample(&time_us, &levels)) {
            break;
        }
        now_us = i == SAMPLER_SLOTS - 1 ? time_us : now_us;
        if (device_sample(&device, time_us, levels)) {
            receive();
            transmit();
        }
    }
    device_poll(&device, now_us);
}

static void test_inputs(void) {
    port_drive(device_test_pins(&device));
    device_test(&device, port_now_us(), port_read_levels());
    if (!device_is_testing(&device)) {
        port_drive(device_test_pins(&device));
    }
}

/* One byte a turn, and only what differs: a name is six bytes, the whole image a hundred. */
static void store(void) {
    uint16_t address;
    uint8_t byte;
    if (port_nv_is_ready() && device_store(&device, &address, &byte)) {
        uint8_t stored;
        port_nv_read(address, &stored, 1);
        if (stored != byte) {
            port_nv_write(address, byte);
        }
    }
}

int main(void) {
    port_init();
    start();
    for (;;) {
        port_watchdog();
        device_note_lost_snapshots(&device, port_samples_lost());
        take_samples();
        if (device_is_testing(&device)) {
            test_inputs();
        }
        receive();
        transmit();
        store();
        port_lamp(device_lamp(&device, port_now_us()));
        if (device_wants_reboot(&device)) {
            port_reboot();
        }
    }
}
