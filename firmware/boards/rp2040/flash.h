/* The flash chip, spoken to command by command. Nothing runs from it any more, see rp2040.ld.
 *
 * Addresses are the flash's own, from 0. Erasing sets bits, programming clears them. */
#ifndef REEDPROOF_FLASH_H
#define REEDPROOF_FLASH_H

#include <stdbool.h>
#include <stdint.h>

#define FLASH_SECTOR_BYTES 4096u
#define FLASH_ID_BYTES 8u

/* From here on the flash cannot be read as memory. Waits for what was begun before a reset. */
void flash_init(void);

/* None of these while the flash is busy. */
void flash_read(uint32_t address, void *bytes, uint32_t length);
void flash_read_id(uint8_t id[FLASH_ID_BYTES]); /* no other chip has the same */

/* These begin, and keep the flash busy: 45 to 400 ms for a sector, some 50 us for a few bytes. What
 * is programmed must not cross a multiple of 256. */
void flash_erase_sector(uint32_t address);
void flash_program(uint32_t address, const void *bytes, uint32_t length);
bool flash_is_busy(void);

#endif
