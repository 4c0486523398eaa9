/* Every call of the core, from every state that the calls before can leave: each prove_ function
 * takes any device for which device_is_sound holds, makes one call with any arguments and shows
 * that device_is_sound holds again. prove_init shows that it does at first. So what Eva shows of
 * one call holds for calls in any order. See tools/proofs.py.
 *
 * The sources are included because the states of the self-test and SETTINGS_NONE are their own. */
#include "__fc_builtin.h"
#include "device.c"
#include "selftest.c"

/*@ predicate is_bool(_Bool b) = b == 0 || b == 1;

    predicate device_is_sound(struct device *d) =
      1 <= d->config->inputs <= REEDPROOF_INPUTS &&
      d->beat_input < REEDPROOF_INPUTS &&
      (d->settings_due <= REEDPROOF_INPUTS || d->settings_due == SETTINGS_NONE) &&
      d->settings_last <= REEDPROOF_INPUTS &&
      is_bool(d->settings_defaulted) && is_bool(d->host_present) && is_bool(d->hello_due) &&
      is_bool(d->time_due) && is_bool(d->reply_due) && is_bool(d->selftest_due) &&
      is_bool(d->lit) &&
      d->store_at <= SETTINGS_BYTES &&
      in_bounds(&d->ring) &&
      d->trace.count <= TRACE_BATCH &&
      d->selftest.step <= STEP_RESTORE && d->selftest.input < REEDPROOF_INPUTS &&
      is_bool(d->selftest.entered) &&
      d->reader.body == &d->body[0] && d->reader.room == COMMAND_BODY_MAX &&
      d->reader.length <= COMMAND_BODY_MAX &&
      is_bool(d->reader.broken) && is_bool(d->reader.cobs.zero) &&
      is_bool(d->reader.cobs.started); */

static struct device_config config;
static struct device device;

static uint8_t any8(void) {
    return Frama_C_unsigned_char_interval(0, UINT8_MAX);
}

static uint16_t any16(void) {
    return Frama_C_unsigned_short_interval(0, UINT16_MAX);
}

static uint32_t any32(void) {
    return Frama_C_unsigned_long_interval(0, UINT32_MAX);
}

static levels_t any_levels(void) {
    return (levels_t)any32();
}

static void any_config(void) {
    config.build = any32();
    config.kind = any8();
    config.inputs = Frama_C_unsigned_char_interval(1, REEDPROOF_INPUTS);
    config.sample_us = any16();
}

static void any_device(void) {
    any_config();
    Frama_C_make_unknown((char *)&device, sizeof device);
    device.config = &config;
    device.reader.body = device.body;
    //@ admit device_is_sound(&device);
}

void prove_init(void) {
    uint8_t image[SETTINGS_BYTES];
    any_config();
    Frama_C_make_unknown((char *)image, sizeof image);
    device_init(&device, &config, image, any32(), any8(), any32(), any_levels());
    //@ assert device_is_sound(&device);
}

void prove_sample(void) {
    any_device();
    device_sample(&device, any32(), any_levels());
    //@ assert device_is_sound(&device);
}

void prove_poll(void) {
    any_device();
    device_poll(&device, any32());
    //@ assert device_is_sound(&device);
}

void prove_receive(void) {
    any_device();
    device_receive(&device, any32(), any8());
    //@ assert device_is_sound(&device);
}

void prove_well_formed(void) {
    uint8_t payload[FRAME_PAYLOAD_MAX];
    struct frame frame = {.type = any8(),
                          .length = Frama_C_unsigned_char_interval(0, FRAME_PAYLOAD_MAX),
                          .payload = payload};
    Frama_C_make_unknown((char *)payload, sizeof payload);
    message_is_well_formed(&frame);
}

/* There is memory for no more than `least` bytes, whatever room is told from there on. */
static void transmit(uint8_t least, uint8_t most) {
    uint8_t wire[FRAME_MAX];
    any_device();
    device_transmit(&device, wire + (FRAME_MAX - least),
                    Frama_C_unsigned_char_interval(least, most));
    //@ assert device_is_sound(&device);
}

void prove_transmit(void) {
    transmit(0, MESSAGE_SMALL_MAX - 1);
    transmit(MESSAGE_SMALL_MAX, MESSAGE_TRACE_MAX - 1);
    transmit(MESSAGE_TRACE_MAX, MESSAGE_HELLO_MAX - 1);
    transmit(MESSAGE_HELLO_MAX, MESSAGE_HEARTBEAT_MAX - 1);
    transmit(MESSAGE_HEARTBEAT_MAX, UINT8_MAX);
}

void prove_test(void) {
    any_device();
    device_test_pins(&device);
    device_test(&device, any32(), any_levels());
    //@ assert device_is_sound(&device);
}

void prove_store(void) {
    uint16_t address;
    uint8_t byte;
    any_device();
    if (device_store(&device, &address, &byte)) {
        //@ assert NV_SETTINGS_AT <= address < NV_BOOT_AT;
    }
    device_note_lost_snapshots(&device, any16());
    device_lamp(&device, any32());
    device_wants_reboot(&device);
    //@ assert device_is_sound(&device);
}

void prove_boot(void) {
    uint8_t slots[BOOT_BYTES];
    uint8_t slot[BOOT_SLOT_BYTES];
    uint8_t at;
    Frama_C_make_unknown((char *)slots, sizeof slots);
    boot_count(slots, &at, slot);
    //@ assert at <= BOOT_BYTES - BOOT_SLOT_BYTES;
}

/*@ predicate sampler_is_sound(struct sampler *s) =
      s->head < SAMPLER_SLOTS && s->tail < SAMPLER_SLOTS; */

void prove_sampler(void) {
    struct sampler sampler;
    struct snapshot snapshot;
    sampler_init(&sampler);
    //@ assert sampler_is_sound(&sampler);
    Frama_C_make_unknown((char *)&sampler, sizeof sampler);
    //@ admit sampler_is_sound(&sampler);
    sampler_sample(&sampler, any16(), any_levels());
    sampler_take(&sampler, &snapshot);
    //@ assert sampler_is_sound(&sampler);
}
