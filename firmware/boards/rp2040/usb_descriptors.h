/* What the board says it is when it is plugged in (USB 2.0, 9.6; CDC 1.2, 5.2; PSTN 1.2, 5.3).
 *
 * 1209:0001 is for tests only and must not be released: an id of the project's own is needed. */
#ifndef REEDPROOF_USB_DESCRIPTORS_H
#define REEDPROOF_USB_DESCRIPTORS_H

#include <stdint.h>

enum { DESCRIBES_DEVICE = 1, DESCRIBES_CONFIGURATION, DESCRIBES_STRING };
enum { STRING_LANGUAGES, STRING_MAKER, STRING_PRODUCT, STRING_SERIAL };

#define NOTIFY_ENDPOINT 1u /* demanded by the class; nothing is ever notified */
#define DATA_ENDPOINT 2u
#define IN 0x80u
#define PACKET_BYTES 64u

#define U16(value) (value) & 0xFF, (value) >> 8

/* A line for each part. */
/* clang-format off */

static const uint8_t device_descriptor[] = {
    /* USB 2.0, class CDC, packets of endpoint 0 */
    18, DESCRIBES_DEVICE, U16(0x0200), 2, 0, 0, PACKET_BYTES,
    /* vendor, product, its version; strings; one configuration */
    U16(0x1209), U16(0x0001), U16(0x0100), STRING_MAKER, STRING_PRODUCT, STRING_SERIAL, 1,
};

#define CONFIGURATION_BYTES 67

static const uint8_t configuration_descriptor[] = {
    /* configuration 1 of two interfaces, fed by the bus, 100 mA */
    9, DESCRIBES_CONFIGURATION, U16(CONFIGURATION_BYTES), 2, 1, 0, 0x80, 50,
    /* interface 0 with one endpoint: CDC, abstract control model */
    9, 4, 0, 0, 1, 2, 2, 0, 0,
    /* CDC 1.2; calls are not managed; line settings are taken; interface 0 goes with 1 */
    5, 0x24, 0, U16(0x0120),
    5, 0x24, 1, 0, 1,
    4, 0x24, 2, 2,
    5, 0x24, 6, 0, 1,
    7, 5, IN | NOTIFY_ENDPOINT, 3, U16(8), 255,
    /* interface 1 with two endpoints: CDC data */
    9, 4, 1, 0, 2, 10, 0, 0, 0,
    7, 5, DATA_ENDPOINT, 2, U16(PACKET_BYTES), 0,
    7, 5, IN | DATA_ENDPOINT, 2, U16(PACKET_BYTES), 0,
};

/* clang-format on */

_Static_assert(sizeof device_descriptor == 18, "its own first byte says so");
_Static_assert(sizeof configuration_descriptor == CONFIGURATION_BYTES, "and so does this one's");

#endif
