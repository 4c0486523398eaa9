/* What the user can set, how it is kept in non-volatile memory, and the counter of boots. */
#ifndef REEDPROOF_SETTINGS_H
#define REEDPROOF_SETTINGS_H

#include <stdbool.h>
#include <stdint.h>

#include "debounce.h"
#include "fault.h"
#include "levels.h"

#define MAKE_US_DEFAULT 1000
#define BREAK_US_DEFAULT 10000
#define STUCK_MS_DEFAULT 60000
#define STUCK_MS_MAX 3600000 /* the closure's age is kept in 32 bits of microseconds */
#define SILENT_MS_DEFAULT 600000
#define TRAFFIC_DEFAULT 20
/* Above the worst single make of the recorded rocker switch (85 edges), below 50 Hz pick-up (100).
 */
#define CHATTER_EDGES_DEFAULT 95

struct settings {
    uint32_t board; /* the board's id; 0 = not named yet */
    struct fault_settings fault;
    struct debounce_settings inputs[REEDPROOF_INPUTS];
};

/* Layout of the non-volatile memory. Settings are kept as the board holds them, for itself only,
 * and end in a CRC; change the version with the struct. Boots go round 16 slots so that no cell is
 * written more than once in 16 boots. */
#define SETTINGS_VERSION 1
#define SETTINGS_BYTES (sizeof(struct settings) + 2)
#define BOOT_SLOTS 16
#define BOOT_SLOT_BYTES 6 /* counter, CRC */
#define BOOT_BYTES (BOOT_SLOTS * BOOT_SLOT_BYTES)
#define NV_SETTINGS_AT 0
#define NV_BOOT_AT 256
#define NV_BYTES (NV_BOOT_AT + BOOT_BYTES)

static inline uint8_t boot_slot_after(uint8_t at) {
    return (uint8_t)((at + BOOT_SLOT_BYTES) % BOOT_BYTES);
}

void settings_default(struct settings *settings);

bool debounce_settings_are_valid(const struct debounce_settings *settings);
bool fault_settings_are_valid(const struct fault_settings *settings);

/* False, and defaults, when the image is damaged or of another version. */
bool settings_load(struct settings *settings, const uint8_t image[SETTINGS_BYTES]);

/* Byte `index` of the image; `crc` is carried by the caller from byte to byte, so that saving
 * needs no copy of the image: one byte per turn of the main loop. */
uint8_t settings_byte(const struct settings *settings, uint8_t index, uint16_t *crc);

/* Where and what to write so that this boot is numbered; returns the boot id. */
uint32_t boot_count(const uint8_t slots[BOOT_BYTES], uint8_t *slot_at,
                    uint8_t slot[BOOT_SLOT_BYTES]);

#endif
