/* The seam between the portable core and a board. main.c is written against this and nothing else.
 */
#ifndef REEDPROOF_PORT_H
#define REEDPROOF_PORT_H

#include <stdbool.h>
#include <stdint.h>

#include "core/device.h"

extern const struct device_config port_config;

/* Pins, timers, serial line; sampling starts. Interrupts are on afterwards. */
void port_init(void);

/* enum reset_cause of this boot. */
uint8_t port_reset_cause(void);

/* Low 32 bits of microseconds since boot. */
uint32_t port_now_us(void);

/* The oldest change that was sampled and not taken yet, and when it was sampled; false when none.
 */
bool port_take_sample(uint32_t *time_us, levels_t *levels);
uint16_t port_samples_lost(void);

/* Closed inputs right now; and how the pins are driven, for the self-test only. */
levels_t port_read_levels(void);
void port_drive(struct selftest_pins pins);

/* Serial line. port_send() is given no more than port_send_room() bytes. */
bool port_receive(uint8_t *byte);
uint8_t port_send_room(void);
void port_send(const uint8_t *bytes, uint8_t length);

/* Non-volatile memory of NV_BYTES. Writing takes its time in the background: write only when ready.
 */
void port_nv_read(uint16_t address, uint8_t *bytes, uint8_t length);
bool port_nv_is_ready(void);
void port_nv_write(uint16_t address, uint8_t byte);

void port_lamp(bool lit);
void port_watchdog(void);

/* Sends what waits, then restarts the board; the next boot knows it was asked for. */
void port_reboot(void);

#endif
