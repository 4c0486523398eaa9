"""Builds the C core as the extension ``reedproof.sim._core``. Run by setup.py.

The declarations below are checked by the C compiler against the real headers: cffi compiles code
that would not compile if one of them differed.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from cffi import FFI

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[2]
CORE = ROOT / "firmware" / "core"

INPUTS = 32
RING = 64

DECLARATIONS = """
#define FRAME_MAX ...
#define SETTINGS_BYTES ...
#define BOOT_BYTES ...
#define BOOT_SLOT_BYTES ...
#define NV_SETTINGS_AT ...
#define NV_BOOT_AT ...
#define NV_BYTES ...
#define SAMPLER_SLOTS ...
#define MAKE_US_DEFAULT ...
#define BREAK_US_DEFAULT ...
#define STUCK_MS_DEFAULT ...
#define CHATTER_EDGES_DEFAULT ...
#define CRC16_START ...
#define SWEEP_NO_PASS ...

typedef uint32_t levels_t;

/* device */
struct device_config { uint32_t build; uint8_t kind; uint8_t inputs; uint16_t sample_us; };
struct selftest_pins { levels_t pulled; levels_t driven; };
struct device { ...; };
void device_init(struct device *, const struct device_config *, const uint8_t *, uint32_t, uint8_t,
                 uint32_t, levels_t);
bool device_sample(struct device *, uint32_t, levels_t);
void device_poll(struct device *, uint32_t);
void device_note_lost_snapshots(struct device *, uint16_t);
void device_receive(struct device *, uint32_t, uint8_t);
uint8_t device_transmit(struct device *, uint8_t *, uint8_t);
bool device_store(struct device *, uint16_t *, uint8_t *);
bool device_is_testing(const struct device *);
struct selftest_pins device_test_pins(const struct device *);
void device_test(struct device *, uint32_t, levels_t);
bool device_lamp(const struct device *, uint32_t);
bool device_wants_reboot(const struct device *);
uint32_t boot_count(const uint8_t *, uint8_t *, uint8_t *);

/* debounce */
struct debounce_settings { uint16_t make_us; uint16_t break_us; };
struct debounce { ...; };
uint8_t debounce_phase(const struct debounce *);
bool debounce_closed(const struct debounce *);
struct debounce_event {
    uint8_t kind; uint16_t pairs; uint8_t longest; uint8_t dropouts;
    uint32_t time_us; uint32_t settle_us; uint32_t duration_us;
};
void debounce_init(struct debounce *);
void debounce_settle(struct debounce *, const struct debounce_settings *, uint32_t,
                     struct debounce_event *);
void debounce_edge(struct debounce *, const struct debounce_settings *, uint32_t,
                   struct debounce_event *);

/* fault */
struct fault_settings {
    uint32_t stuck_ms; uint32_t silent_ms; uint16_t traffic; uint8_t chatter_edges;
};
struct fault { uint8_t edges; ...; };
uint8_t fault_active(const struct fault *);
bool fault_muted(const struct fault *);
void fault_init(struct fault *);
uint8_t fault_edge(struct fault *, const struct fault_settings *);
uint8_t fault_window(struct fault *, const struct fault_settings *);
uint8_t fault_made(struct fault *, bool);
uint8_t fault_broke(struct fault *);
uint8_t fault_closed(struct fault *, const struct fault_settings *, uint32_t);
uint8_t fault_arm(struct fault *);
uint8_t fault_silence(struct fault *, const struct fault_settings *, uint32_t, uint16_t);
uint8_t fault_shorted(struct fault *, bool);

/* ring */
struct board_time { uint16_t high; uint32_t low; };
struct record {
    uint32_t number; uint8_t kind; uint8_t input; uint8_t detail[3]; struct board_time time;
    uint32_t lost;
};
struct record_ring { uint8_t count; uint32_t first_number; uint32_t next_number;
    uint32_t ever_sent; uint32_t lost; ...; };
void record_ring_init(struct record_ring *);
bool record_ring_push(struct record_ring *, const struct record *);
bool record_ring_next(struct record_ring *, struct record *);
bool record_ring_acknowledge(struct record_ring *, uint32_t);
void record_ring_rewind(struct record_ring *);

/* sampler */
struct snapshot { uint16_t stamp; levels_t levels; };
struct sampler { uint16_t lost; ...; };
void sampler_init(struct sampler *);
void sampler_sample(struct sampler *, uint16_t, levels_t);
bool sampler_take(struct sampler *, struct snapshot *);

/* wire */
uint8_t width_code(uint32_t);
uint16_t crc16_update(uint16_t, uint8_t);
uint16_t crc16_end(uint16_t);
uint8_t *frame_begin(uint8_t *, uint8_t, uint8_t);
uint8_t *frame_u8(uint8_t *, uint8_t);
uint8_t frame_end(uint8_t *, uint8_t *);
struct frame { uint8_t type; uint8_t sequence; uint8_t length; const uint8_t *payload; };
struct frame_reader { uint16_t bad; ...; };
void frame_reader_init(struct frame_reader *, uint8_t *, uint8_t);
bool frame_take(struct frame_reader *, uint8_t, struct frame *);
uint8_t command_length(uint8_t);
bool message_is_well_formed(const struct frame *);
uint8_t message_record(uint8_t *, uint8_t, const struct record *);

/* self-test */
struct selftest_result { uint8_t input; uint8_t verdict; levels_t partners; };
struct selftest { ...; };
void selftest_init(struct selftest *);
void selftest_start(struct selftest *, levels_t);
bool selftest_is_running(const struct selftest *);
struct selftest_pins selftest_pins(const struct selftest *);
bool selftest_step(struct selftest *, uint32_t, levels_t);
struct selftest_result selftest_result(struct selftest *);

/* bulk */
struct bulk_closure {
    int64_t made_us; int64_t broke_us;
    uint16_t make_bounces; uint16_t break_bounces; uint16_t dropouts; uint8_t input;
    ...;
};
struct bulk_input {
    uint64_t edges; uint64_t blips; uint64_t dropouts; uint64_t closures;
    uint8_t faults; uint8_t longest_blip; uint8_t longest_dropout; ...;
};
struct bulk_settings {
    struct debounce_settings inputs[32]; struct fault_settings fault;
};
size_t bulk_replay(const int64_t *, const uint8_t *, size_t, const struct bulk_settings *,
                   struct bulk_closure *, size_t, struct bulk_input *);
size_t bulk_idle(struct device *, uint32_t, uint32_t, size_t, uint8_t *, uint8_t *);
struct bulk_frame { uint8_t type; uint8_t sequence; uint8_t length; uint8_t payload[58]; };

/* sweep */
struct sweep_count { uint64_t closures; uint64_t splits; uint64_t extras; };
void sweep_input(const int64_t *, const uint32_t *, size_t, const struct debounce_settings *,
                 struct sweep_count *);

size_t bulk_decode(const uint8_t *, size_t, struct bulk_frame *, size_t, size_t *);

uint32_t core_source_hash(void);
"""

#: cffi cannot reach bit-fields by itself.
ACCESSORS = """
static uint8_t debounce_phase(const struct debounce *d) { return d->phase; }
static bool debounce_closed(const struct debounce *d) { return d->closed; }
static uint8_t fault_active(const struct fault *f) { return f->active; }
static bool fault_muted(const struct fault *f) { return f->muted; }
"""

HEADERS = ["device.h", "bulk.h", "sweep.h", "crc16.h", "width.h"]


def sources() -> list[Path]:
    return [*sorted(CORE.glob("*.c")), HERE / "bulk.c", HERE / "sweep.c"]


def source_hash() -> int:
    """Of everything that goes into the extension, so that a stale one can be told."""
    digest = hashlib.sha256(DECLARATIONS.encode())
    for path in [*sources(), *sorted(CORE.glob("*.h")), *sorted(HERE.glob("*.h"))]:
        digest.update(path.read_bytes())
    return int.from_bytes(digest.digest()[:4], "big")


def _relative(path: Path) -> str:
    return os.path.relpath(path).replace(os.sep, "/")  # setuptools refuses absolute paths


def extension() -> FFI:
    ffi = FFI()
    ffi.cdef(DECLARATIONS)
    includes = "\n".join(f'#include "{header}"' for header in HEADERS)
    ffi.set_source(
        "reedproof.sim._core",
        f"#include <stdbool.h>\n{includes}\n{ACCESSORS}"
        f"static uint32_t core_source_hash(void) {{ return {source_hash()}u; }}",
        sources=[_relative(path) for path in sources()],
        include_dirs=[_relative(CORE), _relative(HERE)],
        define_macros=[("REEDPROOF_INPUTS", str(INPUTS)), ("REEDPROOF_RING", str(RING))],
        # Across files, or every edge of a replay pays for a handful of calls.
        extra_compile_args=["-O3", "-flto", "-fvisibility=hidden", "-finline-limit=2000", "-std=c11"],
        extra_link_args=["-O3", "-flto", "-finline-limit=2000"],
    )
    return ffi


ffi = extension()
