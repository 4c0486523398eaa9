#include "settings.h"

#include <string.h> /* memcpy, memcmp */

#include "crc16.h"

void settings_default(struct settings *settings) {
    settings->board = 0;
    settings->fault.stuck_ms = STUCK_MS_DEFAULT;
    settings->fault.silent_ms = SILENT_MS_DEFAULT;
    settings->fault.traffic = TRAFFIC_DEFAULT;
    settings->fault.chatter_edges = CHATTER_EDGES_DEFAULT;
    for (uint8_t i = 0; i < REEDPROOF_INPUTS; i++) {
        settings->inputs[i].make_us = MAKE_US_DEFAULT;
        settings->inputs[i].break_us = BREAK_US_DEFAULT;
    }
}

bool debounce_settings_are_valid(const struct debounce_settings *settings) {
    return settings->make_us != 0 && settings->break_us != 0;
}

bool fault_settings_are_valid(const struct fault_settings *settings) {
    return settings->stuck_ms <= STUCK_MS_MAX && settings->chatter_edges >= 1 &&
           settings->chatter_edges <= CHATTER_EDGES_MAX;
}

/* The version is covered by the CRC without being stored: another one does not match. */
static uint16_t crc_start(void) {
    return crc16_update(CRC16_START, SETTINGS_VERSION);
}

bool settings_load(struct settings *settings, const uint8_t image[SETTINGS_BYTES]) {
    uint16_t crc = crc_start();
    for (uint8_t i = 0; i < sizeof *settings; i++) {
        crc = crc16_update(crc, image[i]);
    }
    crc = crc16_end(crc);
    const uint8_t *stored = &image[sizeof *settings];
    if (stored[0] != (uint8_t)crc || stored[1] != (uint8_t)(crc >> 8)) {
        settings_default(settings);
        return false;
    }
    memcpy(settings, image, sizeof *settings);
    return true;
}

uint8_t settings_byte(const struct settings *settings, uint8_t index, uint16_t *crc) {
    if (index >= sizeof *settings) {
        uint16_t end = crc16_end(*crc);
        return (uint8_t)(index == sizeof *settings ? end : end >> 8);
    }
    uint8_t byte = ((const uint8_t *)settings)[index];
    *crc = crc16_update(index == 0 ? crc_start() : *crc, byte);
    return byte;
}

static uint16_t slot_crc(const uint8_t slot[BOOT_SLOT_BYTES]) {
    uint16_t crc = CRC16_START;
    for (uint8_t i = 0; i < 4; i++) {
        crc = crc16_update(crc, slot[i]);
    }
    return crc16_end(crc);
}

static bool slot_is_good(const uint8_t slot[BOOT_SLOT_BYTES]) {
    uint16_t crc = slot_crc(slot);
    return memcmp(slot + 4, &crc, sizeof crc) == 0;
}

uint32_t boot_count(const uint8_t slots[BOOT_BYTES], uint8_t *slot_at,
                    uint8_t slot[BOOT_SLOT_BYTES]) {
    uint32_t newest = 0;
    uint8_t at = (uint8_t)(BOOT_BYTES - BOOT_SLOT_BYTES);
    for (uint8_t i = 0; i < BOOT_BYTES; i = (uint8_t)(i + BOOT_SLOT_BYTES)) {
        const uint8_t *candidate = &slots[i];
        uint32_t count;
        memcpy(&count, candidate, sizeof count);
        if (slot_is_good(candidate) && count > newest) {
            newest = count;
            at = i;
        }
    }
    *slot_at = boot_slot_after(at);
    newest++;
    memcpy(slot, &newest, sizeof newest); /* read back by the same board only */
    uint16_t crc = slot_crc(slot);
    memcpy(slot + sizeof newest, &crc, sizeof crc);
    return newest;
}
