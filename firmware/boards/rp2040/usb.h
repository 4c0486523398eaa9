/* A serial port on USB: the communications device class (CDC ACM, USB-IF), polled. The rate that a
 * host sets means nothing here. */
#ifndef REEDPROOF_USB_H
#define REEDPROOF_USB_H

#include <stdbool.h>
#include <stdint.h>

#define USB_SERIAL_CHARACTERS 16

/* Clocks and reset of the controller are done. Connects to the bus. */
void usb_init(const char serial[USB_SERIAL_CHARACTERS]);

/* Answers the host; call often. */
void usb_poll(void);

bool usb_receive(uint8_t *byte);
uint8_t usb_send_room(void);
void usb_send(const uint8_t *bytes, uint8_t length);

/* All that was sent has reached the host. */
bool usb_is_drained(void);

#endif
