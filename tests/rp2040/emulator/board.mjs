// A Pico in an emulator, driven by lines of JSON: one command in, one answer out. Times are nanoseconds since
// power was first applied. See emulator.py, which is the other end.
//
//   node board.mjs FOLDER_WITH_NODE_MODULES

import { createRequire } from 'node:module';
import { createInterface } from 'node:readline';
import { FlashChip, makeChip } from './strict_chip.mjs';

const require = createRequire(`${process.argv[2]}/`);
const library = require('rp2040js');
const uf2 = require('uf2');

const FLASH_BYTES = 2 << 20;
const FLASH_AT = 0x10000000;
const [HAD_POWER_ON, HAD_RUN_PIN] = [1 << 8, 1 << 16];
const PINS = 30;

function randomFrom(seed) {
  let state = seed;
  return () => (state = (Math.imul(state, 1664525) + 1013904223) >>> 0) / 2 ** 32;
}

class Board {
  constructor({ image, flash, leakUs, seed, id }) {
    this.random = randomFrom(seed);
    const bytes = new Uint8Array(FLASH_BYTES).fill(0xff);
    const end = Buffer.from(flash, 'base64');
    bytes.set(end, bytes.length - end.length);
    const file = Buffer.from(image, 'base64');
    for (let at = 0; at < file.length; at += 512) {
      const block = uf2.decodeBlock(new Uint8Array(file.subarray(at, at + 512)));
      bytes.set(block.payload, block.flashAddress - FLASH_AT);
    }
    this.flash = new FlashChip(bytes, id);
    this.leakUs = leakUs;
    this.output = [];
    this.events = []; // [ns, kind, ...], the next one last
    this.drives = new Array(PINS).fill(null);
    this.nets = Array.from({ length: PINS }, (_, pin) => [pin]);
    this.levels = new Array(PINS).fill(0);
    this.leaks = [];
    this.pinWord = 0;
    this.counters = { drives: 0, fromBoard: 0, contentions: 0, resets: -1 };
    this.baseNs = 0;
    this.sram = new Uint8Array(264 << 10);
    this.scratch = new Uint32Array(8);
    this.waiting = []; // for the host, until the port is there
    this.reset('power_on');
  }

  get nowNs() {
    return this.baseNs + (this.chip ? this.chip.clock.nanos : 0);
  }

  fail = (text) => {
    throw new Error(`${text}, at ${(this.nowNs / 1000).toFixed(1)} us, program counter ${this.chip?.core.PC.toString(16)}`);
  };

  reset(cause) {
    const before = this.chip;
    const isPower = cause === 'power_on' || cause === 'brown_out';
    const nowNs = this.nowNs;
    if (before) {
      this.sram = before.sram;
      this.scratch = before.peripherals[0x40058].scratchData;
      this.waiting = [...this.usb.toBoard];
    }
    const isWatchdog = cause === 'watchdog' || cause === 'loader';
    this.reason = isWatchdog ? before.peripherals[0x40058].reason || 1 : 0;
    if (cause !== 'watchdog') this.scratch.fill(0);
    if (isPower) this.sram = this.sram.map(() => Math.floor(this.random() * 256));
    if (isPower && before) this.flash.cutPower(nowNs, this.random);
    if (!isWatchdog) this.chipReset = isPower ? HAD_POWER_ON : HAD_RUN_PIN;
    this.resetDue = null;
    this.counters.resets++;
    this.baseNs = nowNs;
    this.chip = null;
    this.chip = makeChip(library, this, this.fail);
    this.usb.toBoard = this.waiting;
    this.nsPerCycle = 1e9 / this.chip.clkSys;
    this.chip.addClockListener((frequency) => (this.nsPerCycle = 1e9 / frequency));
    for (const pin of this.chip.gpio) pin.addListener(() => this.resolve(pin.index));
    this.alarm = this.chip.clock.createAlarm(() => this.applyEvents());
    for (let pin = 0; pin < PINS; pin++) this.resolve(pin);
    this.scheduleEvents();
  }

  // ---- nets

  resolve(first) {
    const net = this.nets[first];
    const strong = net.map((pin) => this.drives[pin]);
    let [up, down] = [false, false];
    for (const pin of net) {
      const { outputEnable, outputDisable, outputValue, pullupEnabled, pulldownEnabled } = this.chip.gpio[pin];
      if (outputEnable && !outputDisable) strong.push(outputValue ? 1 : 0);
      up ||= pullupEnabled;
      down ||= pulldownEnabled;
    }
    const [low, high] = [strong.includes(0), strong.includes(1)];
    if (low && high) this.counters.contentions++;
    clearLeak(this.leaks[net[0]]);
    if (low) this.settle(net, 0);
    else if (high) this.settle(net, 1);
    else if (up !== down) this.settle(net, up ? 1 : 0);
    else {
      this.settle(net, this.levels[net[0]]);
      if (this.leakUs !== null) {
        const alarm = (this.leaks[net[0]] ??= this.chip.clock.createAlarm(() => this.settle(net, 0)));
        if (alarm.clock !== this.chip.clock) this.leaks[net[0]] = this.chip.clock.createAlarm(() => this.settle(net, 0));
        this.leaks[net[0]].schedule(this.leakUs * 1000);
      }
    }
  }

  settle(net, level) {
    for (const pin of net) {
      this.levels[pin] = level;
      if (level && this.chip.gpio[pin].inputEnable) this.pinWord |= 1 << pin;
      else this.pinWord &= ~(1 << pin);
    }
  }

  // ---- what is to happen

  scheduleEvents() {
    if (this.events.length) this.alarm.schedule(Math.max(this.events.at(-1)[0] - this.nowNs, 0));
  }

  applyEvents() {
    while (this.events.length && this.events.at(-1)[0] <= this.nowNs) {
      const [, kind, what, level] = this.events.pop();
      if (kind === 'send') this.usb.toBoard.push(...what);
      else {
        this.drives[what] = level;
        this.counters.drives++;
        this.resolve(what);
      }
    }
    this.scheduleEvents();
  }

  // ---- commands

  add({ events }) {
    this.events = this.events.reverse().concat(events).sort((a, b) => a[0] - b[0]).reverse();
    this.applyEvents();
  }

  join({ pins }) {
    const net = [...new Set(pins.flatMap((pin) => this.nets[pin]))];
    for (const pin of net) this.nets[pin] = net;
    this.resolve(net[0]);
  }

  run({ untilNs }) {
    while (this.nowNs < untilNs && !this.resetDue) {
      const { chip } = this;
      const { core, clock } = chip;
      const end = untilNs - this.baseNs;
      while (clock.nanos < end && !this.resetDue) {
        if (core.waiting) clock.tick(Math.min(clock.nanosToNextAlarm || Infinity, end - clock.nanos));
        else {
          clock.nanosCounter += core.executeInstruction() * this.nsPerCycle;
          if (clock.nextAlarm?.nanos <= clock.nanosCounter) clock.tick(0);
        }
      }
      if (this.resetDue) this.reset(this.resetDue);
    }
  }

  // What usb_host.mjs can be told: ready, reading, restarts.
  host({ told }) {
    Object.assign(this.usb, told);
  }

  // The next instruction at this address is a branch to itself.
  hang({ address }) {
    this.chip.writeUint16(address, 0xe7fe);
  }

  state() {
    const output = this.output.splice(0);
    this.counters.fromBoard += output.length;
    return {
      nowNs: Math.round(this.nowNs),
      output,
      lamp: this.chip.gpio[25].value === 1 ? 1 : 0,
      levels: this.levels,
      waiting: { drives: this.events.filter(([, kind]) => kind === 'drive').length },
      counters: { ...this.counters, erases: this.flash.erases },
      sleeping: this.chip.core.waiting,
    };
  }
}

function clearLeak(alarm) {
  alarm?.cancel();
}

let board;
const commands = {
  boot: (given) => (board = new Board(given)),
  add: (given) => board.add(given),
  join: (given) => board.join(given),
  run: (given) => board.run(given),
  reset: ({ cause }) => board.reset(cause),
  host: (given) => board.host(given),
  hang: (given) => board.hang(given),
  state: () => {},
};

for await (const line of createInterface({ input: process.stdin })) {
  const given = JSON.parse(line);
  let answer;
  try {
    commands[given.command](given);
    answer = board.state();
    if (given.command === 'state') {
      answer.flash = Buffer.from(board.flash.bytes.subarray(FLASH_BYTES - 8192)).toString('base64');
      answer.usb = board.usb.descriptors;
    }
  } catch (error) {
    answer = { error: error.message };
  }
  process.stdout.write(`${JSON.stringify(answer)}\n`);
}
