/* Single bytes that survive, on a flash that erases 4096 at a time.
 *
 * Two sectors take turns. One holds a journal: a head with its turn's number, then a cell for each
 * byte written, so the last cell of an address is its value. When it is full, what is not blank is
 * copied to the other sector, whose head comes last. Head and cells are a word and its complement:
 * programming clears bits only, and of each pair one stays set, so one that lost its power half way
 * shows. It is passed over, and the byte keeps the value it had.
 *
 * A sector has 511 cells. A boot takes 6 and a copy at most 352, so each sector is erased once in
 * 52 boots or more. */
#ifndef REEDPROOF_NV_H
#define REEDPROOF_NV_H

#include <stdbool.h>
#include <stdint.h>

#define NV_FLASH_AT 0x1FE000u /* the last two sectors of 2 MB: no image reaches them */

/* Reads the journal. */
void nv_init(void);

void nv_read(uint16_t address, uint8_t *bytes, uint8_t length);

/* Carries on what nv_write() began; true when all is done. */
bool nv_is_ready(void);

/* When ready. The byte is read back; one that the flash did not take keeps its old value. */
void nv_write(uint16_t address, uint8_t byte);

#endif
