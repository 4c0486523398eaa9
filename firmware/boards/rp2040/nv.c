#include "nv.h"

#include "../../port.h"
#include "flash.h"

struct cell {
    uint32_t word; /* the turn's number, or address << 8 | byte */
    uint32_t complement;
};

#define CELLS (FLASH_SECTOR_BYTES / sizeof(struct cell))
#define BLANK 0xFFu

enum state {
    IDLE,
    WRITING, /* a byte of the core's */
    COPYING, /* the other sector was erased, or a cell of it written */
    CLOSING, /* its head was written */
};

static uint8_t bytes_now[NV_BYTES];
static uint32_t turn;
static uint32_t next_cell;   /* of the sector at hand; while copying, of the other one */
static uint16_t next_copied; /* address */
static uint8_t state;

static uint32_t sector_of(uint32_t number) {
    return NV_FLASH_AT + (number & 1) * FLASH_SECTOR_BYTES;
}

static struct cell read_cell(uint32_t number, uint32_t index) {
    struct cell cell;
    flash_read(sector_of(number) + index * sizeof cell, &cell, sizeof cell);
    return cell;
}

static void program_cell(uint32_t number, uint32_t index, uint32_t word) {
    struct cell cell = {.word = word, .complement = ~word};
    flash_program(sector_of(number) + index * sizeof cell, &cell, sizeof cell);
}

static bool is_whole(const struct cell *cell) {
    return cell->word == ~cell->complement;
}

static bool is_blank(const struct cell *cell) {
    return (cell->word & cell->complement) == UINT32_MAX;
}

static void take_cell(const struct cell *cell) {
    uint32_t address = cell->word >> 8;
    if (is_whole(cell) && address < NV_BYTES) {
        bytes_now[address] = (uint8_t)cell->word;
    }
}

static void start_copying(void) {
    flash_erase_sector(sector_of(turn + 1));
    next_cell = 1;
    next_copied = 0;
    state = COPYING;
}

void nv_init(void) {
    for (uint16_t address = 0; address < NV_BYTES; address++) {
        bytes_now[address] = BLANK;
    }
    turn = 0;
    for (uint32_t number = 0; number < 2; number++) {
        struct cell head = read_cell(number, 0);
        if (is_whole(&head) && head.word > turn) {
            turn = head.word;
        }
    }
    if (turn == 0) {
        start_copying(); /* a flash that was never used: an empty journal */
        return;
    }
    state = IDLE;
    for (next_cell = 1; next_cell < CELLS; next_cell++) {
        struct cell cell = read_cell(turn, next_cell);
        if (is_blank(&cell)) {
            return;
        }
        take_cell(&cell);
    }
    start_copying(); /* power was lost before it was done */
}

void nv_read(uint16_t address, uint8_t *bytes, uint8_t length) {
    while (length-- != 0) {
        *bytes++ = bytes_now[address++];
    }
}

static void copy_next(void) {
    while (next_copied < NV_BYTES && bytes_now[next_copied] == BLANK) {
        next_copied++;
    }
    if (next_copied == NV_BYTES) {
        program_cell(turn + 1, 0, turn + 1);
        state = CLOSING;
        return;
    }
    program_cell(turn + 1, next_cell++, (uint32_t)next_copied << 8 | bytes_now[next_copied]);
    next_copied++;
}

bool nv_is_ready(void) {
    if (state == IDLE) {
        return true;
    }
    if (flash_is_busy()) {
        return false;
    }
    if (state == COPYING) {
        copy_next();
        return false;
    }
    if (state == CLOSING) {
        turn++;
    } else {
        struct cell cell = read_cell(turn, next_cell++);
        take_cell(&cell);
        if (next_cell == CELLS) {
            start_copying();
            return false;
        }
    }
    state = IDLE;
    return true;
}

void nv_write(uint16_t address, uint8_t byte) {
    program_cell(turn, next_cell, (uint32_t)address << 8 | byte);
    state = WRITING;
}
