#include "flash.h"

#include "rp2040.h"

/* Commands that the common serial flash chips share; the Pico's is a W25Q16JV. */
#define PROGRAM 0x02u
#define READ 0x03u
#define READ_STATUS 0x05u
#define ENABLE_WRITING 0x06u
#define ERASE_SECTOR 0x20u
#define READ_ID 0x4Bu
#define ID_DUMMY_BYTES 4

#define STATUS_BUSY 1u

static uint8_t exchange(uint8_t byte) {
    SSI_DATA = byte;
    while (!(SSI_STATUS & SSI_RECEIVED)) {
    }
    return (uint8_t)SSI_DATA;
}

/* The interface would let go of the chip whenever it has nothing to send, as in an interrupt. */
static void begin(uint8_t command) {
    CLEAR(QSPI_SS_CTRL) = QSPI_SS_OVERRIDE;
    SET(QSPI_SS_CTRL) = QSPI_SS_LOW;
    exchange(command);
}

static void begin_at(uint8_t command, uint32_t address) {
    begin(command);
    exchange((uint8_t)(address >> 16));
    exchange((uint8_t)(address >> 8));
    exchange((uint8_t)address);
}

static void end(void) {
    CLEAR(QSPI_SS_CTRL) = QSPI_SS_OVERRIDE;
}

static void take(void *bytes, uint32_t length) {
    for (uint8_t *byte = bytes; length != 0; length--) {
        *byte++ = exchange(0);
    }
    end();
}

void flash_read(uint32_t address, void *bytes, uint32_t length) {
    begin_at(READ, address);
    take(bytes, length);
}

void flash_read_id(uint8_t id[FLASH_ID_BYTES]) {
    begin(READ_ID);
    for (uint8_t i = 0; i < ID_DUMMY_BYTES; i++) {
        exchange(0);
    }
    take(id, FLASH_ID_BYTES);
}

bool flash_is_busy(void) {
    uint8_t status;
    begin(READ_STATUS);
    take(&status, 1);
    return (status & STATUS_BUSY) != 0;
}

void flash_init(void) {
    SSI_ENABLE = 0;
    SSI_CTRLR0 = SSI_8_BIT_FRAMES; /* one byte out, one byte in */
    SSI_CTRLR1 = 0;
    SSI_BAUD = 4; /* 12 MHz */
    SSI_SLAVES = 1;
    SSI_ENABLE = 1;
    while (flash_is_busy()) {
    }
}

static void enable_writing(void) {
    begin(ENABLE_WRITING);
    end();
}

void flash_erase_sector(uint32_t address) {
    enable_writing();
    begin_at(ERASE_SECTOR, address);
    end();
}

void flash_program(uint32_t address, const void *bytes, uint32_t length) {
    enable_writing();
    begin_at(PROGRAM, address);
    for (const uint8_t *byte = bytes; length != 0; length--) {
        exchange(*byte++);
    }
    end();
}
