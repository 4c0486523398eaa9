/*
 * Everything that touches `struct avr_t`: the C half of the test rig (rig.py is the other half).
 *
 * Test-only. simavr is under the GNU GPL version 3, so this file is compiled when the tests run,
 * linked with the installed simavr, and never shipped with the firmware or the host package.
 *
 * simavr 1.6 models the core, the timers and the watchdog well. Its ports, UART and EEPROM differ
 * from the chip in ways that hide faults, so those three are taken over here, register by register:
 *   ports   simavr raises a pulled-up pin on any write to PORT or DDR, undoing an external low.
 * Here a net (a pin and all it is joined to) is resolved from what drives it, and only from that.
 *   UART0   simavr buffers 64 received bytes, counts 11 bits per byte and cannot queue a byte
 * behind the one being sent. Here: two unread bytes, one transmit buffer behind the shift register,
 * 10 bits. EEPROM  simavr writes in no time. Here EEPE stays set for 3.4 ms and EE_READY is a
 * level. Two more corrections to the clock: accepting an interrupt costs what the data sheet says
 * (nothing in simavr), and one instruction, not two, runs between enabling interrupts and serving a
 * waiting one.
 *
 * Not modelled: pin synchroniser delay, timer outputs on pins, PUD, the phase of the baud clock.
 */
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "avr_eeprom.h"   // avr_eeprom_t: addresses and vector of the EEPROM
#include "avr_extint.h"   // avr_extint_set_strict_lvl_trig
#include "avr_ioport.h"   // avr_ioport_t: addresses and pin IRQs of a port
#include "avr_uart.h"     // avr_uart_t: addresses and vectors of UART0
#include "avr_watchdog.h" // avr_watchdog_t: forcing WDE after a watchdog reset
#include "sim_avr.h"
#include "sim_core.h" // avr_run_one's neighbours: avr_has_pending_interrupts

enum {
    port_count = 12, // 'A' to 'L'
    pin_count = port_count * 8,
    vector_count = 64,
    rx_depth = 2,                // unread bytes the receiver of the chip can hold
    services_kept_max = 1 << 22, // per vector; more are counted, and refused when asked for
    eempe_window_cycles = 4,
    run_chunk_cycles = 1000000, // upper bound of instructions run without a look around
};

static const uint64_t never = UINT64_MAX;

// Bits of UCSR0A and UCSR0B, the same on every chip used here. A flag and its enable share a
// position.
enum {
    RXC = 0x80,
    TXC = 0x40,
    UDRE = 0x20,
    FE = 0x10,
    DOR = 0x08,
    UPE = 0x04,
    U2X = 0x02,
    MPCM = 0x01
};
enum { RXEN = 0x10, TXEN = 0x08 };
enum { EERE = 0x01, EEPE = 0x02, EEMPE = 0x04, EERIE = 0x08, EEPM = 0x30 };

enum cause { cause_power_on, cause_external, cause_brown_out, cause_watchdog, cause_count };
enum outcome { outcome_reached, outcome_crashed, outcome_asleep_for_good, outcome_reported };

// What is counted, laid out for rig.py: 64-bit fields only, in the order of its `Counters`.
struct counters {
    uint64_t idle_cycles;
    uint64_t resets;
    uint64_t stack_low;
    uint64_t drives_scheduled, drives_applied, drives_waiting;
    uint64_t pin_changes_made, pin_changes_seen;
    uint64_t bytes_sent, bytes_on_line, bytes_received, bytes_ignored, overruns, misframed;
    uint64_t bytes_written, bytes_transmitted, bytes_in_flight, bytes_aborted;
    uint64_t bytes_refused;
    uint64_t contentions;
    uint64_t port_writes;
};

struct drive {
    uint64_t cycle;
    uint32_t sequence; // keeps the order of drives given for the same cycle
    uint8_t port, bit;
    int8_t level; // 0, 1, or -1 to let go
    uint8_t unused;
};

struct line_byte {
    uint64_t cycle; // its stop bit is complete
    uint8_t value;
};

struct sent_byte {
    uint64_t cycle;
    uint8_t value;
};

struct pin {
    uint8_t next; // the pins of a net form a ring
    int8_t external;
    uint8_t level;
    uint64_t leak_cycle; // its charge will be gone; `never` while driven, or low anyway
};

struct services {
    uint64_t accepted_cycle;
    uint32_t *cycles;
    size_t count, capacity;
    uint64_t lost;
};

struct rig {
    avr_t *avr;
    avr_io_t reset_watcher;
    avr_ioport_t *port[port_count];
    avr_uart_t *uart;
    avr_eeprom_t *eeprom;
    avr_watchdog_t *watchdog;
    avr_io_addr_t mcusr, ucsra, ucsrb, ucsrc, eecr;
    struct counters counters;
    char message[256];

    uint64_t until_cycle;
    struct drive *drives;
    size_t drive_next, drive_count, drive_capacity;
    bool drives_unsorted;
    struct pin pin[pin_count];
    uint64_t leak_cycles;     // from the last driver letting go to low; `never`: keeps its charge
    uint64_t leak_next_cycle; // no leak is due before

    uint32_t line_byte_cycles; // pace of the sender at the other end
    bool listener_has_speed;   // the other end listens at that pace, too, and else to anything
    uint64_t line_free_cycle;
    struct line_byte *line;
    size_t line_next, line_count, line_capacity;
    uint8_t rx[rx_depth];
    bool rx_misframed[rx_depth];
    uint8_t rx_count;

    uint32_t bits_per_byte;
    uint8_t tx_shift, tx_held;
    bool tx_shifting, tx_holding;
    struct sent_byte *output;
    size_t output_count, output_capacity;

    uint64_t eempe_cycle, ee_busy_until_cycle;
    uint16_t ee_address;
    bool eempe_set, ee_busy;

    enum cause cause;
    uint8_t flags_before;

    bool sp_check, woken;
    uint64_t spl_cycle;
    struct services services[vector_count];
};

static void *grown(void *block, size_t count, size_t *capacity, size_t size) {
    if (count < *capacity)
        return block;
    *capacity = *capacity ? *capacity * 2 : 256;
    block = realloc(block, *capacity * size);
    if (!block)
        abort();
    return block;
}

// ---- Time --------------------------------------------------------------------------------------

// Lets cycles pass in which the core does nothing. simavr must look at its timers right after.
static void stall(struct rig *rig, unsigned cycles) {
    rig->avr->cycle += cycles;
    rig->avr->run_cycle_count = 1;
}

// simavr would sleep in real time, and would wake one cycle late: it adds `1 + how_long` after this
// call.
static void on_sleep(avr_t *avr, avr_cycle_count_t how_long) {
    struct rig *rig = avr->custom.data;
    rig->counters.idle_cycles += how_long;
    rig->woken = true;
    avr->cycle -= 1;
}

// ---- Nets --------------------------------------------------------------------------------------

static unsigned pin_index(unsigned port, unsigned bit) {
    return port * 8 + bit;
}

struct net_state {
    bool strong_low, strong_high, pulled_up;
};

static struct net_state net_drivers(const struct rig *rig, unsigned first) {
    struct net_state net = {false, false, false};
    unsigned i = first;
    do {
        const struct pin *pin = &rig->pin[i];
        const avr_ioport_t *port = rig->port[i / 8];
        uint8_t mask = (uint8_t)(1u << (i % 8));
        bool high = rig->avr->data[port->r_port] & mask;
        if (rig->avr->data[port->r_ddr] & mask) {
            net.strong_low |= !high;
            net.strong_high |= high;
        } else {
            net.pulled_up |= high;
        }
        net.strong_low |= pin->external == 0;
        net.strong_high |= pin->external == 1;
        i = pin->next;
    } while (i != first);
    return net;
}

// Strong drive (pin output or external) wins over pull-up, pull-up over nothing; low wins between
// strong ones.
static uint8_t net_level(const struct net_state *net, uint8_t level_before) {
    if (net->strong_low)
        return 0;
    return net->strong_high || net->pulled_up || level_before;
}

static void set_net(struct rig *rig, unsigned first, uint8_t level, bool leaks) {
    unsigned i = first;
    do {
        struct pin *pin = &rig->pin[i];
        if (!leaks)
            pin->leak_cycle = never;
        else if (pin->leak_cycle == never && rig->leak_cycles != never)
            pin->leak_cycle = rig->avr->cycle + rig->leak_cycles;
        if (pin->leak_cycle < rig->leak_next_cycle)
            rig->leak_next_cycle = pin->leak_cycle;
        if (pin->level != level) {
            pin->level = level;
            rig->counters.pin_changes_made++;
            avr_raise_irq(rig->port[i / 8]->io.irq + i % 8, level);
        }
        i = pin->next;
    } while (i != first);
}

static void resolve(struct rig *rig, unsigned first) {
    struct net_state net = net_drivers(rig, first);
    uint8_t level = net_level(&net, rig->pin[first].level);
    bool floats = !net.strong_low && !net.strong_high && !net.pulled_up;
    rig->counters.contentions += net.strong_low && net.strong_high;
    set_net(rig, first, level, floats && level);
}

static void leak(struct rig *rig) {
    rig->leak_next_cycle = never;
    for (unsigned i = 0; i < pin_count; i++) {
        if (rig->pin[i].leak_cycle <= rig->avr->cycle)
            set_net(rig, i, 0, false);
        else if (rig->pin[i].leak_cycle < rig->leak_next_cycle)
            rig->leak_next_cycle = rig->pin[i].leak_cycle;
    }
}

static void on_pin_change(avr_irq_t *irq, uint32_t value, void *param) {
    struct rig *rig = param;
    if (value != irq->value)
        rig->counters.pin_changes_seen++;
}

static void arm(struct rig *rig);

static void write_port_register(struct rig *rig, avr_ioport_t *port, avr_io_addr_t address,
                                uint8_t value) {
    uint8_t changed = rig->avr->data[address] ^ value;
    rig->avr->data[address] = value;
    for (unsigned bit = 0; bit < 8; bit++)
        if (changed & (1u << bit))
            resolve(rig, pin_index((unsigned)(port->name - 'A'), bit));
    arm(rig); // a net may have begun to leak
}

static void on_port_write(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param) {
    struct rig *rig = avr->custom.data;
    rig->counters.port_writes++;
    write_port_register(rig, param, address, value);
}

static void on_pin_write(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param) {
    avr_ioport_t *port = param;
    uint16_t opcode = (uint16_t)(avr->flash[avr->pc] | avr->flash[avr->pc + 1] << 8);
    // SBI is read-modify-write in simavr and would toggle every pin that reads high; the chip
    // toggles one.
    if ((opcode & 0xff00) == 0x9a00)
        value = (uint8_t)(1u << (opcode & 7));
    write_port_register(avr->custom.data, port, port->r_port, avr->data[port->r_port] ^ value);
    (void)address;
}

static void apply_drive(struct rig *rig, const struct drive *drive) {
    unsigned i = pin_index(drive->port, drive->bit);
    rig->pin[i].external = drive->level;
    rig->counters.drives_applied++;
    resolve(rig, i);
}

// ---- UART0 -------------------------------------------------------------------------------------

static uint64_t uart_bit_cycles(const struct rig *rig) {
    const uint8_t *data = rig->avr->data;
    avr_io_addr_t ubrrl = rig->uart->ubrrl.reg, ubrrh = rig->uart->ubrrh.reg;
    uint64_t divisor = (uint64_t)(data[ubrrl] | (data[ubrrh] & 0x0f) << 8) + 1;
    return divisor * (data[rig->ucsra] & U2X ? 8 : 16);
}

// Raises what is flagged and enabled. Called with interrupts off it would fill simavr's queue of
// waiting vectors with stale entries, hence the condition; run_until() calls again when they come
// on.
static void sync_interrupts(struct rig *rig) {
    avr_t *avr = rig->avr;
    avr_uart_t *uart = rig->uart;
    uint8_t flagged = avr->data[rig->ucsra] & avr->data[rig->ucsrb];
    bool ee_ready = (avr->data[rig->eecr] & EERIE) && !rig->ee_busy;

    if (!(flagged & RXC) && uart->rxc.pending)
        avr_clear_interrupt(avr, &uart->rxc);
    if (!(flagged & UDRE) && uart->udrc.pending)
        avr_clear_interrupt(avr, &uart->udrc);
    if (!ee_ready && rig->eeprom->ready.pending)
        avr_clear_interrupt(avr, &rig->eeprom->ready);
    if (!avr->sreg[S_I])
        return;
    if (flagged & RXC)
        avr_raise_interrupt(avr, &uart->rxc);
    if (flagged & UDRE)
        avr_raise_interrupt(avr, &uart->udrc);
    if (flagged & TXC)
        avr_raise_interrupt(avr, &uart->txc);
    if (ee_ready)
        avr_raise_interrupt(avr, &rig->eeprom->ready);
}

static void show_receiver(struct rig *rig) {
    uint8_t *status = &rig->avr->data[rig->ucsra];
    *status &= (uint8_t) ~(RXC | FE);
    if (rig->rx_count)
        *status |= (uint8_t)(RXC | (rig->rx_misframed[0] ? FE : 0));
}

// An end set to another speed than the sender sees rubbish; beyond 5 % no byte survives.
static bool speeds_differ(const struct rig *rig) {
    uint64_t own = uart_bit_cycles(rig) * 10, paced = rig->line_byte_cycles;
    uint64_t difference = own > paced ? own - paced : paced - own;
    return difference * 20 > paced;
}

static void receive(struct rig *rig, uint8_t value) {
    uint8_t *data = rig->avr->data;
    rig->counters.bytes_on_line--;
    if (!(data[rig->ucsrb] & RXEN)) {
        rig->counters.bytes_ignored++;
        return;
    }
    if (rig->rx_count == rx_depth) {
        rig->counters.overruns++;
        data[rig->ucsra] |= DOR;
        return;
    }
    bool misframed = speeds_differ(rig);
    rig->counters.misframed += misframed;
    rig->counters.bytes_received++;
    rig->rx[rig->rx_count] = misframed ? (uint8_t)~value : value;
    rig->rx_misframed[rig->rx_count] = misframed;
    rig->rx_count++;
    show_receiver(rig);
    sync_interrupts(rig);
}

static void empty_receiver(struct rig *rig) {
    rig->rx_count = 0;
    rig->avr->data[rig->ucsra] &= (uint8_t)~DOR;
    show_receiver(rig);
}

static uint8_t on_udr_read(avr_t *avr, avr_io_addr_t address, void *param) {
    struct rig *rig = param;
    if (rig->rx_count) {
        avr->data[address] = rig->rx[0];
        rig->rx[0] = rig->rx[1];
        rig->rx_misframed[0] = rig->rx_misframed[1];
        rig->rx_count--;
        avr->data[rig->ucsra] &= (uint8_t)~DOR;
        show_receiver(rig);
        sync_interrupts(rig);
    }
    return avr->data[address];
}

static uint64_t tx_byte_cycles(const struct rig *rig) {
    return uart_bit_cycles(rig) * rig->bits_per_byte;
}

static avr_cycle_count_t on_byte_sent(avr_t *avr, avr_cycle_count_t when, void *param) {
    struct rig *rig = param;
    rig->output = grown(rig->output, rig->output_count, &rig->output_capacity, sizeof *rig->output);
    bool misframed = rig->listener_has_speed && speeds_differ(rig);
    uint8_t heard = misframed ? (uint8_t)~rig->tx_shift : rig->tx_shift;
    rig->output[rig->output_count++] = (struct sent_byte){.cycle = when, .value = heard};
    rig->counters.bytes_transmitted++;
    rig->counters.bytes_in_flight--;
    rig->tx_shifting = rig->tx_holding;
    if (rig->tx_holding) {
        rig->tx_shift = rig->tx_held;
        rig->tx_holding = false;
        avr->data[rig->ucsra] |= UDRE;
    } else {
        avr->data[rig->ucsra] |= TXC;
    }
    sync_interrupts(rig);
    return rig->tx_shifting ? when + tx_byte_cycles(rig) : 0;
}

static void on_udr_write(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param) {
    struct rig *rig = param;
    (void)address;
    if (!(avr->data[rig->ucsrb] & TXEN) || rig->tx_holding) {
        rig->counters.bytes_refused++; // the chip ignores it too
        return;
    }
    rig->counters.bytes_written++;
    rig->counters.bytes_in_flight++;
    if (rig->tx_shifting) {
        rig->tx_held = value;
        rig->tx_holding = true;
        avr->data[rig->ucsra] &= (uint8_t)~UDRE;
        sync_interrupts(rig);
    } else {
        rig->tx_shift = value;
        rig->tx_shifting = true;
        avr_cycle_timer_register(avr, tx_byte_cycles(rig), on_byte_sent, rig);
    }
}

static void on_ucsra_write(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param) {
    uint8_t kept = avr->data[address] & (RXC | UDRE | FE | DOR | UPE);
    if (!(value & TXC)) // written as one, TXC is cleared
        kept |= avr->data[address] & TXC;
    avr->data[address] = kept | (value & (U2X | MPCM));
    sync_interrupts(param);
}

static void on_ucsrb_write(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param) {
    avr->data[address] = value;
    if (!(value & RXEN))
        empty_receiver(param);
    sync_interrupts(param);
}

static void reset_uart(struct rig *rig) {
    uint8_t *data = rig->avr->data;
    rig->counters.bytes_aborted += rig->counters.bytes_in_flight;
    rig->counters.bytes_in_flight = 0;
    rig->tx_shifting = rig->tx_holding = false;
    data[rig->ucsra] = UDRE;
    data[rig->ucsrb] = 0; // simavr leaves the transmitter on, which hides firmware that forgets to
    data[rig->ucsrc] = 0x06;
    empty_receiver(rig);
}

// ---- EEPROM ------------------------------------------------------------------------------------

static avr_cycle_count_t on_eeprom_written(avr_t *avr, avr_cycle_count_t when, void *param) {
    struct rig *rig = param;
    (void)when;
    rig->ee_busy = false;
    avr->data[rig->eecr] &= (uint8_t)~EEPE;
    sync_interrupts(rig);
    return 0;
}

static void start_eeprom_write(struct rig *rig) {
    avr_t *avr = rig->avr;
    unsigned mode = (avr->data[rig->eecr] & EEPM) >> 4;
    uint8_t *cell = &rig->eeprom->eeprom[rig->ee_address];
    uint8_t value = avr->data[rig->eeprom->r_eedr];
    if (mode == 0)
        *cell = value;
    else if (mode == 1)
        *cell = 0xff;
    else
        *cell &= value;
    rig->ee_busy = true;
    avr->data[rig->eecr] |= EEPE;
    // Erase and write 3.4 ms, either alone 1.8 ms.
    avr_cycle_timer_register_usec(avr, mode == 0 ? 3400 : 1800, on_eeprom_written, rig);
    stall(rig, 2);
}

static bool eempe_open(const struct rig *rig) {
    return rig->eempe_set && rig->avr->cycle - rig->eempe_cycle <= eempe_window_cycles;
}

static uint8_t on_eecr_read(avr_t *avr, avr_io_addr_t address, void *param) {
    if (!eempe_open(param))
        avr->data[address] &= (uint8_t)~EEMPE;
    return avr->data[address];
}

static void on_eecr_write(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param) {
    struct rig *rig = param;
    bool open = eempe_open(rig);
    uint8_t mode = (rig->ee_busy ? avr->data[address] : value) & EEPM;
    avr->data[address] = mode | (value & (EERIE | EEMPE)) | (rig->ee_busy ? EEPE : 0);
    if (!rig->ee_busy) {
        uint16_t where =
            (uint16_t)(avr->data[rig->eeprom->r_eearl] | avr->data[rig->eeprom->r_eearh] << 8);
        rig->ee_address = where % rig->eeprom->size;
        if ((value & EEPE) && open) {
            avr->data[address] &= (uint8_t)~EEMPE;
            rig->eempe_set = false;
            start_eeprom_write(rig);
        } else if (value & EERE) {
            avr->data[rig->eeprom->r_eedr] = rig->eeprom->eeprom[rig->ee_address];
            stall(rig, 4);
        }
    }
    if ((avr->data[address] & EEMPE) && !open) {
        rig->eempe_set = true;
        rig->eempe_cycle = avr->cycle;
    }
    sync_interrupts(rig);
}

static void reset_eeprom(struct rig *rig) {
    // The self-timed write survives a reset but not a loss of power: the byte was erased first.
    bool lost_power = rig->cause == cause_power_on || rig->cause == cause_brown_out;
    if (rig->ee_busy && lost_power)
        rig->eeprom->eeprom[rig->ee_address] = 0xff;
    rig->ee_busy = rig->eempe_set = false;
}

// ---- Stack and interrupts ----------------------------------------------------------------------

// A push writes SPL, then SPH, within one instruction; firmware that moves its frame writes SPH,
// then SPL, in two. Only the value after the second of either pair is a stack pointer, so it is
// looked at when the instruction is over, and not after a lone write of SPH.
static void on_sp_write(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param) {
    struct rig *rig = param;
    avr->data[address] = value;
    if (address == R_SPL)
        rig->spl_cycle = avr->cycle;
    else if (rig->spl_cycle != avr->cycle)
        return;
    unsigned sp = avr->data[R_SPL] | (unsigned)avr->data[R_SPH] << 8;
    if (sp < rig->counters.stack_low) {
        rig->sp_check = true;
        avr->run_cycle_count = 1;
    }
}

static void check_stack(struct rig *rig) {
    unsigned sp = rig->avr->data[R_SPL] | (unsigned)rig->avr->data[R_SPH] << 8;
    if (sp < rig->counters.stack_low)
        rig->counters.stack_low = sp;
    rig->sp_check = false;
}

static void on_interrupt(avr_irq_t *irq, uint32_t running, void *param) {
    struct rig *rig = param;
    avr_t *avr = rig->avr;
    struct services *services = &rig->services[irq->irq >> 8];
    unsigned entry_cycles = avr->address_size + 2u;
    if (running) {
        if (rig->woken)
            stall(rig, entry_cycles); // leaving sleep takes as long again
        rig->woken = false;
        services->accepted_cycle = avr->cycle;
        stall(rig, entry_cycles);
        return;
    }
    if (services->count == services_kept_max) {
        services->lost++;
        return;
    }
    // simavr tells of RETI before it counts the cycles of that instruction.
    uint64_t reti_cycles = avr->address_size + 2u;
    services->cycles =
        grown(services->cycles, services->count, &services->capacity, sizeof(uint32_t));
    services->cycles[services->count++] =
        (uint32_t)(avr->cycle + reti_cycles - services->accepted_cycle);
}

// ---- Stimulus and run loop ---------------------------------------------------------------------

static int by_cycle(const void *left, const void *right) {
    const struct drive *a = left, *b = right;
    if (a->cycle != b->cycle)
        return a->cycle < b->cycle ? -1 : 1;
    return a->sequence < b->sequence ? -1 : a->sequence > b->sequence;
}

static uint64_t next_stop(const struct rig *rig) {
    uint64_t stop = rig->until_cycle;
    if (rig->drive_next < rig->drive_count && rig->drives[rig->drive_next].cycle < stop)
        stop = rig->drives[rig->drive_next].cycle;
    if (rig->line_next < rig->line_count && rig->line[rig->line_next].cycle < stop)
        stop = rig->line[rig->line_next].cycle;
    if (rig->leak_next_cycle < stop)
        stop = rig->leak_next_cycle;
    return stop;
}

// A cycle timer, so that a change from outside meets the core as one from a peripheral would: a
// sleeping core is woken and serves the interrupt before its next instruction.
static avr_cycle_count_t on_stop(avr_t *avr, avr_cycle_count_t when, void *param) {
    struct rig *rig = param;
    (void)when;
    if (rig->leak_next_cycle <= avr->cycle)
        leak(rig);
    while (rig->drive_next < rig->drive_count && rig->drives[rig->drive_next].cycle <= avr->cycle) {
        rig->counters.drives_waiting--;
        apply_drive(rig, &rig->drives[rig->drive_next++]);
    }
    while (rig->line_next < rig->line_count && rig->line[rig->line_next].cycle <= avr->cycle)
        receive(rig, rig->line[rig->line_next++].value);
    uint64_t stop = next_stop(rig);
    return stop > avr->cycle ? stop : 0;
}

static void arm(struct rig *rig) {
    uint64_t stop = next_stop(rig), now = rig->avr->cycle;
    avr_cycle_timer_register(rig->avr, stop > now ? stop - now : 0, on_stop, rig);
}

// Runs last of all the modules' reset functions, also for a reset by simavr's watchdog.
static void on_reset(avr_io_t *io) {
    avr_t *avr = io->avr;
    struct rig *rig = avr->custom.data;
    static const uint8_t flag[cause_count] = {[cause_power_on] = 0x01,
                                              [cause_external] = 0x02,
                                              [cause_brown_out] = 0x04,
                                              [cause_watchdog] = 0x08};
    // Flags pile up until the firmware clears them; only power-on clears the others.
    uint8_t kept = rig->cause == cause_power_on ? 0 : rig->flags_before;
    avr->data[rig->mcusr] = kept | flag[rig->cause];

    rig->counters.resets++;
    reset_uart(rig);
    reset_eeprom(rig);
    rig->woken = false;
    for (uint8_t i = 0; i < EXTINT_COUNT; i++)
        avr_extint_set_strict_lvl_trig(avr, i, 0); // else a low pin is polled at every cycle
    // PORT and DDR are zero now, and simavr zeroed PIN without asking the nets.
    for (unsigned i = 0; i < pin_count; i++)
        if (rig->port[i / 8]) {
            resolve(rig, i);
            avr_io_addr_t pin = rig->port[i / 8]->r_pin;
            uint8_t mask = (uint8_t)(1u << (i % 8));
            avr->data[pin] = (uint8_t)((avr->data[pin] & ~mask) | (rig->pin[i].level ? mask : 0));
        }
    avr->run_cycle_limit = run_chunk_cycles;
    arm(rig);                    // avr_reset() dropped all cycle timers
    rig->cause = cause_watchdog; // unless rig_reset() says otherwise next time
}

static enum outcome outcome_of(const struct rig *rig) {
    if (rig->avr->state == cpu_Done)
        return outcome_asleep_for_good;
    if (rig->avr->state != cpu_Running && rig->avr->state != cpu_Sleeping)
        return outcome_crashed;
    return rig->message[0] ? outcome_reported : outcome_reached;
}

int rig_run(struct rig *rig, uint64_t until_cycle) {
    avr_t *avr = rig->avr;
    if (rig->drives_unsorted) {
        size_t waiting = rig->drive_count - rig->drive_next;
        qsort(rig->drives + rig->drive_next, waiting, sizeof *rig->drives, by_cycle);
        rig->drives_unsorted = false;
    }
    rig->until_cycle = until_cycle;
    arm(rig);
    while (avr->cycle < until_cycle && outcome_of(rig) == outcome_reached) {
        if (avr->run !=
            avr_callback_run_raw) // the watchdog has bitten and resets within this avr_run()
            rig->flags_before = avr->data[rig->mcusr];
        avr_run(avr);
        if (rig->sp_check)
            check_stack(rig);
        if (avr->sreg[S_I] &&
            ((avr->data[rig->ucsra] & avr->data[rig->ucsrb] & (RXC | TXC | UDRE)) ||
             (avr->data[rig->eecr] & EERIE)))
            sync_interrupts(rig);
        // simavr counts two instructions after SEI or RETI, the chip one.
        if (avr->interrupt_state < 0)
            avr->interrupt_state = (int8_t)avr_has_pending_interrupts(avr);
    }
    return outcome_of(rig);
}

// ---- Making and resetting a board --------------------------------------------------------------

static void on_log(avr_t *avr, const int level, const char *format, va_list arguments) {
    struct rig *rig = avr ? avr->custom.data : NULL;
    if (rig && level == LOG_ERROR && !rig->message[0]) // the first complaint tells most
        vsnprintf(rig->message, sizeof rig->message, format, arguments);
}

static void take_over_write(struct rig *rig, avr_io_addr_t address, avr_io_write_t handler,
                            void *param) {
    rig->avr->io[AVR_DATA_TO_IO(address)].w.c = handler;
    rig->avr->io[AVR_DATA_TO_IO(address)].w.param = param;
}

static void take_over_read(struct rig *rig, avr_io_addr_t address, avr_io_read_t handler) {
    rig->avr->io[AVR_DATA_TO_IO(address)].r.c = handler;
    rig->avr->io[AVR_DATA_TO_IO(address)].r.param = rig;
}

static void take_over_port(struct rig *rig, avr_ioport_t *port) {
    rig->port[port->name - 'A'] = port;
    take_over_write(rig, port->r_port, on_port_write, port);
    take_over_write(rig, port->r_ddr, on_port_write, port);
    take_over_write(rig, port->r_pin, on_pin_write, port);
    take_over_read(rig, port->r_pin, NULL); // PIN holds the level of the net, for outputs as well
    for (int bit = 0; bit < 8; bit++)
        avr_irq_register_notify(port->io.irq + bit, on_pin_change, rig);
}

static void take_over_uart(struct rig *rig, avr_uart_t *uart) {
    rig->uart = uart;
    rig->ucsra = uart->r_ucsra;
    rig->ucsrb = uart->r_ucsrb;
    rig->ucsrc = uart->r_ucsrc;
    take_over_read(rig, uart->r_udr, on_udr_read);
    take_over_write(rig, uart->r_udr, on_udr_write, rig);
    take_over_read(rig, uart->r_ucsra, NULL);
    take_over_write(rig, uart->r_ucsra, on_ucsra_write, rig);
    take_over_write(rig, uart->r_ucsrb, on_ucsrb_write, rig);
    take_over_write(rig, uart->ubrrl.reg, NULL, NULL); // the speed is worked out when a byte starts
}

static void take_over_eeprom(struct rig *rig, avr_eeprom_t *eeprom) {
    rig->eeprom = eeprom;
    rig->eecr = eeprom->r_eecr;
    take_over_read(rig, eeprom->r_eecr, on_eecr_read);
    take_over_write(rig, eeprom->r_eecr, on_eecr_write, rig);
}

static void take_over(struct rig *rig) {
    avr_t *avr = rig->avr;
    avr_io_t *last = NULL;
    for (avr_io_t *io = avr->io_port; io; io = io->next) {
        if (!strcmp(io->kind, "port"))
            take_over_port(rig, (avr_ioport_t *)io);
        else if (!strcmp(io->kind, "uart") && ((avr_uart_t *)io)->name == '0')
            take_over_uart(rig, (avr_uart_t *)io);
        else if (!strcmp(io->kind, "eeprom"))
            take_over_eeprom(rig, (avr_eeprom_t *)io);
        else if (!strcmp(io->kind, "watchdog"))
            rig->watchdog = (avr_watchdog_t *)io;
        last = io;
    }
    rig->reset_watcher = (avr_io_t){.avr = avr, .kind = "rig", .reset = on_reset};
    last->next =
        &rig->reset_watcher; // at the end of the list, where avr_register_io() never puts it

    for (int i = 0; i < avr->interrupts.vector_count; i++)
        avr_irq_register_notify(avr->interrupts.vector[i]->irq + AVR_INT_IRQ_RUNNING, on_interrupt,
                                rig);
    avr_register_io_write(avr, R_SPL, on_sp_write, rig);
    avr_register_io_write(avr, R_SPH, on_sp_write, rig);
    for (char name = '0'; name <= '3'; name++) {
        uint32_t flags = 0; // other UARTs: no real-time pause at each status poll, no printing
        avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS(name), &flags);
    }
}

// Memory after power-on holds anything; the same anything each time, so that runs repeat.
static void scramble(struct rig *rig) {
    uint32_t x = 0x5eed1e55;
    for (unsigned i = 0; i <= rig->avr->ramend; i++) {
        x ^= x << 13;
        x ^= x >> 17;
        x ^= x << 5;
        if (i < 32 || i > rig->avr->ioend)
            rig->avr->data[i] = (uint8_t)(x >> 11);
    }
}

void rig_reset(struct rig *rig, int cause) {
    avr_t *avr = rig->avr;
    rig->flags_before = avr->data[rig->mcusr];
    rig->cause = (enum cause)cause;
    if (cause == cause_power_on)
        scramble(rig);
    bool wdrf_left = cause != cause_power_on && (rig->flags_before & 0x08);
    if (cause == cause_watchdog ||
        wdrf_left) { // simavr then turns WDE on, as the chip does while WDRF is set
        rig->watchdog->reset_context.wdrf = 1;
        rig->watchdog->reset_context.avr_run = avr_callback_run_raw;
    }
    avr->run = avr_callback_run_raw; // a bite that is due does not come on top
    rig->message[0] = 0;
    avr_reset(avr);
}

struct rig *rig_open(const char *mcu, uint32_t frequency_hz, const uint8_t *flash,
                     uint32_t flash_size, uint32_t line_byte_cycles, uint32_t bits_per_byte,
                     uint64_t leak_cycles, int cause) {
    avr_global_logger_set(on_log);
    avr_t *avr = avr_make_mcu_by_name(mcu);
    if (!avr)
        return NULL;
    struct rig *rig = calloc(1, sizeof *rig);
    if (!rig || avr_init(avr))
        abort();
    avr->custom.data = rig;
    // simavr reports a write past the end of RAM, and then does it: give every 16-bit address a
    // byte.
    avr->data = realloc(avr->data, 0x10000);
    if (!avr->data)
        abort();
    if (flash_size > avr->flashend + 1) {
        avr_terminate(avr);
        free(avr);
        free(rig);
        return NULL;
    }
    rig->avr = avr;
    avr->frequency = frequency_hz;
    avr->sleep = on_sleep;
    avr_loadcode(avr, (uint8_t *)flash, flash_size, 0);
    rig->mcusr = avr->reset_flags.porf.reg;
    rig->line_byte_cycles = line_byte_cycles;
    rig->bits_per_byte = bits_per_byte;
    rig->leak_cycles = leak_cycles;
    rig->leak_next_cycle = never;
    for (unsigned i = 0; i < pin_count; i++)
        rig->pin[i] = (struct pin){.next = (uint8_t)i, .external = -1, .leak_cycle = never};
    take_over(rig);
    rig->counters.stack_low = avr->ramend;
    scramble(rig);
    avr->data[rig->mcusr] = 0;
    rig_reset(rig, cause);
    rig->counters.resets = 0;
    return rig;
}

void rig_close(struct rig *rig) {
    avr_t *avr = rig->avr;
    avr->custom.data = NULL;
    avr_terminate(avr);
    free(avr);
    for (unsigned i = 0; i < vector_count; i++)
        free(rig->services[i].cycles);
    free(rig->drives);
    free(rig->line);
    free(rig->output);
    free(rig);
}

// ---- What rig.py asks for ----------------------------------------------------------------------

int rig_has_pin(const struct rig *rig, unsigned port, unsigned bit) {
    return port < port_count && bit < 8 && rig->port[port];
}

void rig_drive_now(struct rig *rig, unsigned port, unsigned bit, int level) {
    struct drive drive = {.port = (uint8_t)port, .bit = (uint8_t)bit, .level = (int8_t)level};
    rig->counters.drives_scheduled++;
    apply_drive(rig, &drive);
}

// Refuses the lot, and returns -1, if one of them is in the past or names a pin that is not there.
int rig_drive(struct rig *rig, const struct drive *drives, size_t count) {
    for (size_t i = 0; i < count; i++)
        if (drives[i].cycle < rig->avr->cycle || !rig_has_pin(rig, drives[i].port, drives[i].bit))
            return -1;
    if (rig->drive_next == rig->drive_count)
        rig->drive_next = rig->drive_count = 0;
    for (size_t i = 0; i < count; i++) {
        rig->drives =
            grown(rig->drives, rig->drive_count, &rig->drive_capacity, sizeof *rig->drives);
        struct drive *drive = &rig->drives[rig->drive_count];
        *drive = drives[i];
        drive->sequence = (uint32_t)rig->counters.drives_scheduled++;
        if (rig->drive_count > rig->drive_next && drive->cycle < drive[-1].cycle)
            rig->drives_unsorted = true;
        rig->drive_count++;
    }
    rig->counters.drives_waiting += count;
    return 0;
}

void rig_join(struct rig *rig, unsigned port, unsigned bit, unsigned other_port,
              unsigned other_bit) {
    unsigned a = pin_index(port, bit), b = pin_index(other_port, other_bit);
    for (unsigned i = rig->pin[a].next; i != a; i = rig->pin[i].next)
        if (i == b)
            return; // swapping the links of one ring would cut it in two
    uint8_t next = rig->pin[a].next;
    rig->pin[a].next = rig->pin[b].next;
    rig->pin[b].next = next;
    resolve(rig, a);
}

int rig_pin(const struct rig *rig, unsigned port, unsigned bit) {
    return rig->pin[pin_index(port, bit)].level;
}

void rig_send(struct rig *rig, const uint8_t *bytes, size_t count, uint64_t at_cycle) {
    if (rig->line_next == rig->line_count)
        rig->line_next = rig->line_count = 0;
    if (rig->line_free_cycle < at_cycle)
        rig->line_free_cycle = at_cycle;
    for (size_t i = 0; i < count; i++) {
        rig->line_free_cycle += rig->line_byte_cycles;
        rig->line = grown(rig->line, rig->line_count, &rig->line_capacity, sizeof *rig->line);
        rig->line[rig->line_count++] =
            (struct line_byte){.cycle = rig->line_free_cycle, .value = bytes[i]};
    }
    rig->counters.bytes_sent += count;
    rig->counters.bytes_on_line += count;
}

// From now on the other end sends and listens at this pace.
void rig_set_line(struct rig *rig, uint32_t line_byte_cycles) {
    rig->line_byte_cycles = line_byte_cycles;
    rig->listener_has_speed = true;
}

size_t rig_output_count(const struct rig *rig) {
    return rig->output_count;
}

void rig_take_output(struct rig *rig, uint64_t *cycles, uint8_t *bytes) {
    for (size_t i = 0; i < rig->output_count; i++) {
        cycles[i] = rig->output[i].cycle;
        bytes[i] = rig->output[i].value;
    }
    rig->output_count = 0;
}

size_t rig_service_count(const struct rig *rig, unsigned vector) {
    return rig->services[vector].count;
}

// Returns how many services came after the store was full.
uint64_t rig_take_services(struct rig *rig, unsigned vector, uint32_t *cycles) {
    struct services *services = &rig->services[vector];
    uint64_t lost = services->lost;
    if (services->count)
        memcpy(cycles, services->cycles, services->count * sizeof *cycles);
    services->count = 0;
    services->lost = 0;
    return lost;
}

uint64_t rig_cycle(const struct rig *rig) {
    return rig->avr->cycle;
}

uint32_t rig_pc(const struct rig *rig) {
    return rig->avr->pc;
}

const char *rig_message(const struct rig *rig) {
    return rig->message;
}

const struct counters *rig_counters(const struct rig *rig) {
    return &rig->counters;
}

size_t rig_counters_size(void) {
    return sizeof(struct counters);
}

size_t rig_eeprom_size(const struct rig *rig) {
    return rig->eeprom->size;
}

void rig_get_eeprom(const struct rig *rig, uint8_t *bytes) {
    memcpy(bytes, rig->eeprom->eeprom, rig->eeprom->size);
}

void rig_set_eeprom(struct rig *rig, const uint8_t *bytes) {
    memcpy(rig->eeprom->eeprom, bytes, rig->eeprom->size);
}

int rig_read_memory(const struct rig *rig, uint32_t address, size_t size, uint8_t *bytes) {
    if (address + size > (size_t)rig->avr->ramend + 1)
        return -1;
    memcpy(bytes, rig->avr->data + address, size);
    return 0;
}

// The boot fuse: every reset starts there.
void rig_boot_from(struct rig *rig, uint32_t address) {
    rig->avr->reset_pc = address;
}

int rig_read_flash(const struct rig *rig, uint32_t address, size_t size, uint8_t *bytes) {
    if (address + size > (size_t)rig->avr->flashend + 1)
        return -1;
    memcpy(bytes, rig->avr->flash + address, size);
    return 0;
}

int rig_write_flash(struct rig *rig, uint32_t address, size_t size, const uint8_t *bytes) {
    if (address + size > (size_t)rig->avr->flashend + 1)
        return -1;
    memcpy(rig->avr->flash + address, bytes, size);
    return 0;
}
