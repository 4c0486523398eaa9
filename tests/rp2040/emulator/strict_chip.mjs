// The emulator with what it forgives: here a block that is still in reset, a clock that does not run, a tick
// that is not a microsecond, an output of a pin that has another function, a watchdog that would reset nothing
// and any access that the emulator would only warn of are failures.

import { FlashChip } from './flash_chip.mjs';
import { UsbHost } from './usb_host.mjs';

const LOADER_AT = 0x20041f00;
const RESET_BITS = {
  0x40014: 5, 0x4001c: 8, 0x40028: 12, 0x4002c: 13, 0x40054: 21, 0x50100: 24, 0x50110: 24,
}; // prettier-ignore
const [IO_QSPI, PADS_QSPI] = [6, 9];
const [SSI_AT, SSI_END] = [0x18000000, 0x18004000];
const [PERIPHERALS_AT, PERIPHERALS_END] = [0x40000000, 0x54000000];

function crc32(bytes) {
  let crc = 0xffffffff;
  for (const byte of bytes) {
    crc ^= byte << 24;
    for (let bit = 0; bit < 8; bit++) crc = crc & 0x80000000 ? (crc << 1) ^ 0x04c11db7 : crc << 1;
  }
  return crc >>> 0;
}

export function makeChip({ RP2040, BasePeripheral }, board, fail) {
  const chip = new RP2040();
  const nowNs = () => board.baseNs + chip.clock.nanos;
  const block = (address) => chip.peripherals[address >>> 12];
  chip.logger = { debug() {}, info() {}, warn: (name, text) => fail(`${name}: ${text}`), error: (name, text) => fail(`${name}: ${text}`) };
  chip.clkSys = chip.roscFreq;

  // ---- resets: a block answers once it was let out

  let held = 0x1ffffff & ~((1 << IO_QSPI) | (1 << PADS_QSPI)); // the boot ROM lets these out
  class Resets extends BasePeripheral {
    readUint32(offset) {
      return offset === 8 ? ~held & 0x1ffffff : held;
    }
    writeUint32(offset, value) {
      if (offset === 0) held = value & 0x1ffffff;
    }
  }
  chip.peripherals[0x4000c] = new Resets(chip, 'RESETS');
  // Tables, because this is asked at every access.
  const index = (address) => (address >>> 14) - (PERIPHERALS_AT >>> 14);
  const bits = new Uint32Array(index(PERIPHERALS_END));
  for (const [block, bit] of Object.entries(RESET_BITS)) bits[index(block << 12)] = 1 << bit;
  const blocks = new Array(bits.length).fill(undefined);
  const { peripherals } = chip;
  chip.findPeripheral = (address) => {
    if (address >= PERIPHERALS_AT && address < PERIPHERALS_END) {
      const at = index(address);
      if (held & bits[at]) fail(`access to ${address.toString(16)}, which is in reset`);
      return (blocks[at] ??= peripherals[(address >>> 14) << 2]);
    }
    return address >= SSI_AT && address < SSI_END ? peripherals[0x18000] : undefined;
  };

  // ---- clocks

  const { clocks, pllUsb, pllSys } = chip;
  const xosc = block(0x40024000);
  const writeClocks = clocks.writeUint32.bind(clocks);
  clocks.writeUint32 = (offset, value) => {
    if (offset === 0x30 && (value & 3) === 2 && !xosc.stable) fail('clk_ref from a crystal that does not run');
    writeClocks(offset, value);
    if (offset !== 0x3c || !(value & 1)) return;
    const pll = [pllSys, pllUsb][(value >> 5) & 7];
    const vco = (chip.xoscFreq / (pll?.refdiv || 1)) * (pll?.fbdiv ?? 0);
    if (!pll || pll.pwr & 0x29 || !xosc.stable || vco < 750e6 || vco > 1600e6) fail('clk_sys from a PLL that does not run');
    if (chip.clkSys > 133e6) fail(`clk_sys at ${chip.clkSys} Hz`);
  };

  // ---- tick, timer, watchdog

  const watchdog = block(0x40058000);
  let ticks = false;
  const writeWatchdog = watchdog.writeUint32.bind(watchdog);
  watchdog.tickEnable = false;
  watchdog.writeUint32 = (offset, value) => {
    writeWatchdog(offset, value);
    if (offset !== 0x2c) return;
    ticks = Math.abs(clocks.refFreq / (value & 0x1ff) / 1e6 - 1) < 0.02;
    if (!ticks) fail('the tick is not a microsecond');
  };
  watchdog.onWatchdogTrigger = () => {
    if ((block(0x40010000).wdsel & 0x1fffc) !== 0x1fffc) fail('the watchdog would not reset everything');
    board.resetDue = 'watchdog';
    watchdog.alarm.enable = false; // the emulator would call for ever
  };
  const timer = block(0x40054000);
  for (const method of ['readUint32', 'writeUint32']) {
    const original = timer[method].bind(timer);
    timer[method] = (offset, value) => {
      if (!ticks) fail('the timer is used while its tick does not run');
      return original(offset, value);
    };
  }

  // ---- pins

  class ChipReset extends BasePeripheral {
    readUint32(offset) {
      if (offset !== 8) fail('only CHIP_RESET is there');
      return board.chipReset;
    }
  }
  chip.peripherals[0x40064] = new ChipReset(chip, 'VREG_AND_CHIP_RESET');
  for (const pin of chip.gpio) {
    pin.padValue = 0x56;
    pin.lastValue = pin.value;
  }
  const writeSio = chip.sio.writeUint32.bind(chip.sio);
  chip.sio.writeUint32 = (offset, value) => {
    const outputs = offset === 0x24 || offset === 0x20 ? value : 0;
    for (let pin = 0; pin < 30; pin++) {
      if (outputs & (1 << pin) && chip.gpio[pin].functionSelect !== 5) fail(`GP${pin} is driven but has another function`);
    }
    writeSio(offset, value);
  };
  const readSio = chip.sio.readUint32.bind(chip.sio);
  chip.sio.readUint32 = (offset) => {
    if (offset !== 4) return readSio(offset);
    if (held & ((1 << 5) | (1 << 8))) fail('pins are read while they are in reset');
    return board.pinWord;
  };

  // ---- flash

  const flash = board.flash;
  class QspiPins extends BasePeripheral {
    value = 0;
    readUint32() {
      return this.value;
    }
    writeUint32(offset, value) {
      if (offset !== 0xc) fail('only the chip select of the flash is used');
      this.value = value;
      flash.select(((value >> 8) & 3) === 2, nowNs(), fail);
    }
  }
  class Ssi extends BasePeripheral {
    registers = { 0: 0, 4: 0, 8: 0, 0x10: 0, 0x14: 0, 0xf4: 0 };
    received = [];
    readUint32(offset) {
      if (offset === 0x28) return 6 | (this.received.length ? 8 : 0);
      if (offset === 0x60) return this.received.shift() ?? fail('nothing was received from the flash');
      return this.registers[offset] ?? fail(`the flash interface has no register ${offset}`);
    }
    writeUint32(offset, value) {
      const { registers } = this;
      if (offset === 0x60) {
        if (!registers[8] || registers[0] !== 7 << 16 || registers[0x10] !== 1) fail('the flash interface is not set up');
        if (this.received.push(flash.exchange(value & 0xff, nowNs(), fail)) > 16) fail('the receive FIFO ran over');
        return;
      }
      if (!(offset in registers)) fail(`the flash interface has no register ${offset}`);
      if (offset !== 8 && registers[8]) fail('the flash interface was changed while on');
      registers[offset] = value;
      if (offset === 8 && value) this.switchedOn();
    }
    switchedOn() {
      const { 0: frames, 0x14: divider, 0xf4: command } = this.registers;
      if (divider < 2 || divider & 1 || chip.clkSys / divider > 50e6) fail('the flash does not run at this rate');
      if (frames === 0x1f0300 && command === 0x03000218) chip.flash.set(flash.bytes); // readable as memory
      else if (frames === 7 << 16) chip.flash.fill(0xee);
      else fail('the flash interface is set up in a way not known here');
    }
  }
  chip.peripherals[0x18000] = new Ssi(chip, 'SSI');
  chip.peripherals[0x40018] = new QspiPins(chip, 'IO_QSPI');

  // ---- what the boot ROM does

  const loader = flash.bytes.slice(0, 256);
  const crc = new DataView(loader.buffer).getUint32(252, true);
  if (crc !== crc32(loader.subarray(0, 252))) fail('the boot ROM finds no loader with the right CRC');
  chip.sram.set(board.sram);
  chip.sram.set(loader, LOADER_AT - 0x20000000);
  chip.core.PC = LOADER_AT;
  chip.core.SP = 0x20042000;
  watchdog.reason = board.reason;
  watchdog.scratchData.set(board.scratch);
  board.usb = new UsbHost(chip, fail, (bytes) => bytes.forEach((byte) => board.output.push([Math.round(nowNs()), byte])));
  return chip;
}

export { FlashChip };
