// The Pico's serial flash as its data sheet has it (W25Q16JV, from memory), behind the chip's interface
// (RP2040 datasheet, 4.10). The emulator has none. Strict: what a real one would ignore is a failure.

const [PROGRAM, READ, STATUS, WRITE_ENABLE, ERASE, ID] = [0x02, 0x03, 0x05, 0x06, 0x20, 0x4b];
const ERASE_NS = 45e6;
const PROGRAM_NS = 50e3;

export class FlashChip {
  constructor(bytes, id) {
    this.bytes = bytes;
    this.id = id;
    this.command = null; // bytes since it was selected
    this.writeEnabled = false;
    this.busyUntilNs = 0;
    this.before = null; // what is being erased or programmed, as it was
    this.erases = 0;
  }

  select(selected, nowNs, fail) {
    if (this.command && !selected) this.end(nowNs, fail);
    this.command = selected ? [] : null;
  }

  exchange(byte, nowNs, fail) {
    const { command } = this;
    if (!command) fail('a byte for the flash while it is not selected');
    command.push(byte);
    const [code, ...rest] = command;
    const busy = nowNs < this.busyUntilNs;
    if (busy && code !== STATUS) fail(`flash command ${code.toString(16)} while it is busy`);
    if (code === STATUS) return (busy ? 1 : 0) | (this.writeEnabled ? 2 : 0);
    if (code === READ && rest.length > 3) return this.bytes[this.address() + rest.length - 4];
    if (code === ID && rest.length > 4) return this.id[rest.length - 5];
    return 0xff;
  }

  address() {
    const [, high, middle, low] = this.command;
    return (high << 16) | (middle << 8) | low;
  }

  end(nowNs, fail) {
    const [code, ...rest] = this.command;
    if (code === WRITE_ENABLE) this.writeEnabled = true;
    if (code !== PROGRAM && code !== ERASE) {
      if (![READ, STATUS, WRITE_ENABLE, ID].includes(code)) fail(`unknown flash command ${code}`);
      return;
    }
    if (!this.writeEnabled) fail('the flash was not enabled for writing');
    this.writeEnabled = false;
    const length = code === ERASE ? 4096 : rest.length - 3;
    const start = code === ERASE ? this.address() & ~0xfff : this.address();
    if (code === PROGRAM && (start & 0xff) + length > 256) fail('programming across a page');
    this.before = { start, bytes: this.bytes.slice(start, start + length) };
    for (let i = 0; i < length; i++) this.bytes[start + i] = code === ERASE ? 0xff : this.bytes[start + i] & rest[3 + i];
    this.erases += code === ERASE ? 1 : 0;
    this.busyUntilNs = nowNs + (code === ERASE ? ERASE_NS : PROGRAM_NS);
  }

  // Power goes: of the bits that were being changed, some have changed.
  cutPower(nowNs, random) {
    if (nowNs < this.busyUntilNs) {
      this.before.bytes.forEach((old, i) => {
        const mask = Math.floor(random() * 256);
        const at = this.before.start + i;
        this.bytes[at] = (this.bytes[at] & mask) | (old & ~mask);
      });
    }
    this.busyUntilNs = 0;
    this.command = null;
    this.writeEnabled = false;
  }
}
