#include "usb.h"

#include <stddef.h>

#include "rp2040.h"
#include "usb_descriptors.h"

/* Requests: type and number as the host sends them, low byte first (USB 2.0, 9.3; PSTN 1.2, 6.3).
 */
#define REQUEST(type, number) ((type) | (number) << 8)
#define GET_DEVICE_STATUS REQUEST(0x80, 0)
#define GET_INTERFACE_STATUS REQUEST(0x81, 0)
#define GET_ENDPOINT_STATUS REQUEST(0x82, 0)
#define CLEAR_ENDPOINT_FEATURE REQUEST(0x02, 1)
#define SET_ADDRESS REQUEST(0x00, 5)
#define GET_DESCRIPTOR REQUEST(0x80, 6)
#define GET_CONFIGURATION REQUEST(0x80, 8)
#define SET_CONFIGURATION REQUEST(0x00, 9)
#define GET_INTERFACE REQUEST(0x81, 10)
#define SET_INTERFACE REQUEST(0x01, 11)
#define SET_LINE_CODING REQUEST(0x21, 0x20)
#define GET_LINE_CODING REQUEST(0xA1, 0x21)
#define SET_CONTROL_LINE_STATE REQUEST(0x21, 0x22)

#define LINE_CODING_BYTES 7
#define SEND_BYTES 256 /* indices are bytes and wrap by themselves; one stays empty */

/* A full packet tells the host that more follows, and it would wait. */
#define SEND_PACKET_BYTES (PACKET_BYTES - 1)

#define NOTIFY_AT USB_BUFFERS_AT
#define SEND_AT (USB_BUFFERS_AT + PACKET_BYTES)
#define RECEIVE_AT (USB_BUFFERS_AT + 2 * PACKET_BYTES)

#define DONE_IN(n) (1u << 2 * (n))
#define DONE_OUT(n) (2u << 2 * (n))

static const char *serial_number;
static uint8_t configuration;
static uint8_t line_coding[LINE_CODING_BYTES] = {U16(0xA120), U16(0x0007), 0, 0, 8}; /* 500 000 */

/* Endpoint 0: the answer under way, and what its end brings. */
static uint8_t answer[PACKET_BYTES];
static const uint8_t *answer_at;
static uint8_t answer_left;
static uint32_t answer_data1;
static uint8_t address_due;
static bool line_coding_due;

static uint8_t send_ring[SEND_BYTES];
static uint8_t send_head;
static uint8_t send_tail;
static bool sending;
static uint32_t send_data1;

static uint8_t received; /* bytes in the packet at hand */
static uint8_t taken;    /* of these */
static uint32_t receive_data1;

/* The controller may look as soon as the buffer is its own: all else has to be there a little
 * earlier. */
static void hand_over(volatile uint32_t *buffer, uint32_t bits) {
    *buffer = bits;
    __asm volatile("nop; nop; nop");
    *buffer = bits | USB_AVAILABLE;
}

static volatile uint8_t *memory(uint32_t at) {
    return (volatile uint8_t *)(uintptr_t)(USB_MEMORY + at);
}

/* ---- endpoint 0 ---- */

static void send_answer(void) {
    uint8_t length = answer_left < PACKET_BYTES ? answer_left : (uint8_t)PACKET_BYTES;
    for (uint8_t i = 0; i < length; i++) {
        memory(USB_BUFFER0_AT)[i] = *answer_at++;
    }
    answer_left = (uint8_t)(answer_left - length);
    hand_over(&USB_BUFFER_IN(0), USB_FULL | answer_data1 | length);
    answer_data1 ^= USB_DATA1;
}

static void expect_from_host(void) {
    hand_over(&USB_BUFFER_OUT(0), USB_DATA1 | PACKET_BYTES);
}

static void answer_with(const uint8_t *bytes, size_t length, uint32_t asked_for) {
    answer_at = bytes;
    answer_left = (uint8_t)(length < asked_for ? length : asked_for);
    send_answer();
    expect_from_host(); /* its empty packet ends the request */
}

static void agree(void) {
    answer_left = 0;
    send_answer();
}

static void refuse(void) {
    USB_STALL_ARM = 3;
    USB_BUFFER_IN(0) = USB_STALL;
    USB_BUFFER_OUT(0) = USB_STALL;
}

static uint8_t write_string(const char *text, size_t characters) {
    uint8_t length = 2;
    for (size_t i = 0; i < characters; i++) {
        answer[length++] = (uint8_t)text[i];
        answer[length++] = 0;
    }
    return length;
}

static void answer_with_string(uint8_t which, uint32_t asked_for) {
    uint8_t length = 4;
    if (which == STRING_LANGUAGES) {
        answer[2] = 0x09; /* English */
        answer[3] = 0x04;
    } else if (which == STRING_SERIAL) {
        length = write_string(serial_number, USB_SERIAL_CHARACTERS);
    } else {
        length = write_string("reedproof Pico", which == STRING_MAKER ? 9 : 14);
    }
    answer[0] = length;
    answer[1] = DESCRIBES_STRING;
    answer_with(answer, length, asked_for);
}

static void describe(uint8_t what, uint8_t which, uint32_t asked_for) {
    if (what == DESCRIBES_DEVICE) {
        answer_with(device_descriptor, sizeof device_descriptor, asked_for);
    } else if (what == DESCRIBES_CONFIGURATION) {
        answer_with(configuration_descriptor, sizeof configuration_descriptor, asked_for);
    } else if (what == DESCRIBES_STRING && which <= STRING_SERIAL) {
        answer_with_string(which, asked_for);
    } else {
        refuse();
    }
}

static void receive_packet(void) {
    received = taken = 0;
    hand_over(&USB_BUFFER_OUT(DATA_ENDPOINT), receive_data1 | PACKET_BYTES);
    receive_data1 ^= USB_DATA1;
}

static void configure(uint8_t value) {
    configuration = value;
    sending = false;
    send_data1 = receive_data1 = 0;
    received = taken = 0;
    if (value != 0) {
        USB_ENDPOINT_IN(NOTIFY_ENDPOINT) =
            USB_ENDPOINT_ON | USB_EACH_BUFFER | USB_INTERRUPT | NOTIFY_AT;
        USB_ENDPOINT_IN(DATA_ENDPOINT) = USB_ENDPOINT_ON | USB_EACH_BUFFER | USB_BULK | SEND_AT;
        USB_ENDPOINT_OUT(DATA_ENDPOINT) = USB_ENDPOINT_ON | USB_EACH_BUFFER | USB_BULK | RECEIVE_AT;
        receive_packet();
    }
}

static void offer_packet(uint32_t length) {
    hand_over(&USB_BUFFER_IN(DATA_ENDPOINT), USB_FULL | send_data1 | length);
    send_data1 ^= USB_DATA1;
}

/* The host counts packets of this endpoint from the beginning again; what waits there stays. */
static void restart_endpoint(uint8_t endpoint) {
    if (endpoint == (IN | DATA_ENDPOINT)) {
        send_data1 = 0;
        if (sending) {
            offer_packet(USB_BUFFER_IN(DATA_ENDPOINT) & USB_LENGTH);
        }
    } else if (endpoint == DATA_ENDPOINT) {
        receive_data1 = 0;
        if (taken == received) {
            receive_packet();
        }
    }
}

static void take_request(void) {
    uint32_t low = USB_SETUP_LOW;
    uint32_t high = USB_SETUP_HIGH;
    USB_SIE_STATUS = USB_SETUP_RECEIVED;
    USB_BUFF_STATUS = DONE_IN(0) | DONE_OUT(0); /* of a request that was given up */
    uint32_t request = low & 0xFFFFu;
    uint32_t value = low >> 16;
    uint8_t index = (uint8_t)high;
    uint32_t asked_for = high >> 16;
    answer_data1 = USB_DATA1;
    address_due = 0;
    line_coding_due = false;
    switch (request) {
    case GET_DESCRIPTOR:
        describe((uint8_t)(value >> 8), (uint8_t)value, asked_for);
        break;
    case SET_ADDRESS:
        address_due = (uint8_t)value; /* this request is still for the old one */
        agree();
        break;
    case SET_CONFIGURATION:
        configure((uint8_t)value);
        agree();
        break;
    case GET_CONFIGURATION:
        answer_with(&configuration, 1, asked_for);
        break;
    case GET_DEVICE_STATUS:
    case GET_INTERFACE_STATUS:
    case GET_ENDPOINT_STATUS:
    case GET_INTERFACE:
        answer[0] = answer[1] = 0;
        answer_with(answer, request == GET_INTERFACE ? 1 : 2, asked_for);
        break;
    case CLEAR_ENDPOINT_FEATURE:
        restart_endpoint(index);
        agree();
        break;
    case SET_LINE_CODING:
        line_coding_due = true;
        expect_from_host();
        break;
    case GET_LINE_CODING:
        answer_with(line_coding, sizeof line_coding, asked_for);
        break;
    case SET_INTERFACE:
    case SET_CONTROL_LINE_STATE:
        agree();
        break;
    default:
        refuse();
    }
}

static void answer_went_out(void) {
    if (address_due != 0) {
        USB_ADDRESS = address_due;
        address_due = 0;
    }
    if (answer_left != 0) {
        send_answer();
    }
}

static void take_line_coding(void) {
    if (line_coding_due) {
        line_coding_due = false;
        for (uint8_t i = 0; i < LINE_CODING_BYTES; i++) {
            line_coding[i] = memory(USB_BUFFER0_AT)[i];
        }
        agree();
    }
}

/* ---- data ---- */

static void send_packet(void) {
    uint8_t length = 0;
    while (send_tail != send_head && length < SEND_PACKET_BYTES) {
        memory(SEND_AT)[length++] = send_ring[send_tail++];
    }
    sending = true;
    offer_packet(length);
}

void usb_poll(void) {
    if (USB_SIE_STATUS & USB_BUS_RESET) {
        USB_SIE_STATUS = USB_BUS_RESET;
        USB_ADDRESS = 0;
        address_due = 0;
        configure(0);
    }
    uint32_t done = USB_BUFF_STATUS;
    USB_BUFF_STATUS = done;
    if (done & DONE_IN(0)) {
        answer_went_out();
    }
    if (done & DONE_OUT(0)) {
        take_line_coding();
    }
    if (done & DONE_IN(DATA_ENDPOINT)) {
        sending = false;
    }
    if (done & DONE_OUT(DATA_ENDPOINT)) {
        received = (uint8_t)(USB_BUFFER_OUT(DATA_ENDPOINT) & USB_LENGTH);
        if (received == 0) {
            receive_packet();
        }
    }
    if (USB_SIE_STATUS & USB_SETUP_RECEIVED) {
        take_request();
    }
    if (configuration != 0 && !sending && send_tail != send_head) {
        send_packet();
    }
}

bool usb_receive(uint8_t *byte) {
    if (taken == received) {
        return false;
    }
    *byte = memory(RECEIVE_AT)[taken++];
    if (taken == received) {
        receive_packet();
    }
    return true;
}

uint8_t usb_send_room(void) {
    return (uint8_t)(send_tail - send_head - 1);
}

void usb_send(const uint8_t *bytes, uint8_t length) {
    while (length-- != 0) {
        send_ring[send_head++] = *bytes++;
    }
}

bool usb_is_drained(void) {
    return !sending && send_tail == send_head;
}

void usb_init(const char serial[USB_SERIAL_CHARACTERS]) {
    serial_number = serial;
    for (uint32_t at = 0; at < USB_BUFFERS_AT; at += 4) {
        REGISTER(USB_MEMORY + at) = 0; /* what a loader left */
    }
    USB_MUXING = USB_TO_PHY;
    USB_POWER = USB_POWERED;
    USB_MAIN_CTRL = USB_CONTROLLER_ON;
    USB_SIE_CTRL = USB_EACH_BUFFER0 | USB_PULL_UP;
}
