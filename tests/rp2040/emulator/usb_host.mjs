// A computer at the other end of the cable, as far as a serial port needs one: enumerates as systems do,
// then moves packets. The emulator's own is too kind: it does not look at DATA0/DATA1, at the address, or at
// the order in which a buffer is handed over.

const [AVAILABLE, STALL, DATA1, FULL, LENGTH] = [1 << 10, 1 << 11, 1 << 13, 1 << 15, 0x3ff];
const [SETUP_RECEIVED, BUS_RESET] = [1 << 17, 1 << 19];
const PACKET = 64;
const TURN_US = 50; // between two looks at an endpoint: about what a packet of 64 bytes takes
const PLUGGED_US = 20_000; // systems wait 100 ms
const RESET_LIMIT_US = 1_000_000; // systems try again for seconds; a board may be erasing flash meanwhile
const LIMIT_US = 300_000; // for one step of a request

export class UsbHost {
  constructor(chip, fail, received) {
    Object.assign(this, { chip, fail, received });
    this.usb = chip.usbCtrl;
    this.memory = chip.usbDPRAMView;
    this.address = 0;
    this.toggles = { in: 0, out: 0 };
    this.prepared = new Map(); // buffer controls as they were before AVAILABLE
    this.toBoard = [];
    this.descriptors = null;
    this.ready = false; // set to false, it resets the bus and begins again
    this.reading = true; // false: what the board sends is not fetched
    this.restarts = false; // set to true, it clears the halt of the data endpoints
    this.usb.onUSBEnabled = () => this.checkClock();
    this.usb.DPRAMUpdated = (offset, value) => this.bufferControl(offset, value);
    const alarm = chip.clock.createAlarm(() => {
      const { done, value } = this.life.next();
      if (!done) alarm.schedule(value * 1000);
    });
    this.life = this.live();
    alarm.schedule(TURN_US * 1000);
  }

  checkClock() {
    const { clocks, pllUsb, clkSys } = this.chip;
    const enabled = clocks.usbCtrl & (1 << 11) && !((clocks.usbCtrl >> 5) & 7);
    if (!enabled || Math.abs(pllUsb.frequency - 48e6) > 0.0025 * 48e6) this.fail('USB without its 48 MHz');
    if (clkSys < 48e6) this.fail(`USB with a processor at ${clkSys} Hz`);
  }

  bufferControl(offset, value) {
    if (offset < 0x80 || offset > 0xff) return;
    if (value & AVAILABLE && this.prepared.get(offset) !== (value & ~AVAILABLE)) {
      this.fail(`buffer control ${offset.toString(16)} was handed over before it was complete`);
    }
    this.prepared.set(offset, value);
  }

  control(endpoint, isIn) {
    return 0x80 + 8 * endpoint + (isIn ? 0 : 4);
  }

  // Waits for a buffer of the board's, as a host does that is told NAK. Undefined: it answered STALL.
  *offered(endpoint, isIn, data1) {
    const at = this.control(endpoint, isIn);
    for (let waited = 0; ; waited += TURN_US) {
      const value = this.memory.getUint32(at, true);
      if (value & STALL && (endpoint || this.usb.epStallArm & (isIn ? 1 : 2))) return undefined;
      if (value & AVAILABLE) {
        this.check(value, isIn, data1);
        return value;
      }
      if (waited > LIMIT_US) this.fail(`endpoint ${endpoint} does not answer`);
      yield TURN_US;
    }
  }

  check(value, isIn, data1) {
    if (!!(value & DATA1) !== !!data1) this.fail('DATA0 and DATA1 out of step');
    if (isIn && !(value & FULL)) this.fail('a buffer to be sent is not marked full');
    if ((this.usb.addrEndp & 0x7f) !== this.address) this.fail('the board does not know its address');
  }

  bufferAt(endpoint, isIn) {
    return endpoint ? this.memory.getUint32(8 * endpoint + (isIn ? 0 : 4), true) & 0xffc0 : 0x100;
  }

  take(endpoint, value) {
    const at = this.bufferAt(endpoint, true);
    const bytes = this.chip.usbDPRAM.slice(at, at + (value & LENGTH));
    this.finish(endpoint, true, value & ~(AVAILABLE | FULL));
    return bytes;
  }

  give(endpoint, value, bytes) {
    if ((value & LENGTH) < bytes.length) this.fail(`${bytes.length} bytes do not fit`);
    this.chip.usbDPRAM.set(bytes, this.bufferAt(endpoint, false));
    this.finish(endpoint, false, (value & ~(AVAILABLE | LENGTH)) | FULL | bytes.length);
  }

  finish(endpoint, isIn, value) {
    const at = this.control(endpoint, isIn);
    this.memory.setUint32(at, value, true);
    this.prepared.delete(at);
    this.usb.indicateBufferReady(endpoint, !isIn);
  }

  // A control transfer (USB 2.0, 8.5.3). Returns what the board answered, undefined if it refused.
  *request(type, number, value, index, length, data = []) {
    const setup = [type, number, value & 0xff, value >> 8, index & 0xff, index >> 8, length & 0xff, length >> 8];
    for (const isIn of [true, false]) {
      const at = this.control(0, isIn);
      this.memory.setUint32(at, this.memory.getUint32(at, true) & ~STALL, true);
    }
    this.usb.epStallArm = 0;
    this.chip.usbDPRAM.set(setup);
    this.usb.sieStatus |= SETUP_RECEIVED;
    yield TURN_US;
    const answer = [];
    let data1 = true;
    if (data.length) {
      const offer = yield* this.offered(0, false, data1);
      if (offer === undefined) return undefined;
      this.give(0, offer, data);
    }
    while (type & 0x80 && answer.length < length) {
      const offer = yield* this.offered(0, true, data1);
      if (offer === undefined) return undefined;
      const bytes = this.take(0, offer);
      answer.push(...bytes);
      if (answer.length > length) this.fail('the board sends more than it was asked for');
      data1 = !data1;
      if (bytes.length < PACKET) break;
    }
    const status = yield* this.offered(0, !(type & 0x80), true);
    if (status === undefined) return undefined;
    if (type & 0x80) this.give(0, status, []);
    else if (this.take(0, status).length) this.fail('a status of more than nothing');
    return answer;
  }

  *live() {
    while (!(this.usb.mainCtrl & 1 && this.usb.sieCtrl & (1 << 16))) yield TURN_US;
    yield PLUGGED_US;
    for (;;) {
      yield* this.enumerate();
      this.ready = true;
      while (this.ready) yield* this.moveData();
    }
  }

  *enumerate() {
    this.address = 0;
    this.toggles = { in: 0, out: 0 };
    this.usb.sieStatus |= BUS_RESET;
    for (let waited = 0; this.usb.sieStatus & BUS_RESET; waited += TURN_US) {
      if (waited > RESET_LIMIT_US) this.fail('the board did not see the bus reset');
      yield TURN_US;
    }
    const device = yield* this.request(0x80, 6, 0x0100, 0, 64);
    yield* this.request(0x00, 5, 9, 0, 0);
    this.address = 9;
    yield 2_000;
    const short = yield* this.request(0x80, 6, 0x0200, 0, 9);
    const configuration = yield* this.request(0x80, 6, 0x0200, 0, short[2] | (short[3] << 8));
    const qualifier = yield* this.request(0x80, 6, 0x0600, 0, 10); // full speed only: refused
    const strings = [];
    for (let which = 0; which < 4; which++) strings.push(yield* this.request(0x80, 6, 0x0300 | which, 0x409, 255));
    yield* this.request(0x00, 9, configuration[5], 0, 0);
    const coding = yield* this.request(0xa1, 0x21, 0, 0, 7);
    yield* this.request(0x21, 0x20, 0, 0, 7, coding);
    yield* this.request(0x21, 0x22, 3, 0, 0);
    const status = yield* this.request(0x80, 0, 0, 0, 2);
    this.descriptors = { device, configuration, strings, coding, status, qualifierRefused: qualifier === undefined };
  }

  *moveData() {
    if (this.restarts) {
      this.restarts = false;
      this.toggles = { in: 0, out: 0 };
      for (const endpoint of [0x82, 0x02]) yield* this.request(0x02, 1, 0, endpoint, 0);
    }
    if (this.reading) this.movePacket(2, true);
    if (this.toBoard.length) this.movePacket(2, false);
    yield TURN_US;
  }

  movePacket(endpoint, isIn) {
    const value = this.memory.getUint32(this.control(endpoint, isIn), true);
    if (!(value & AVAILABLE)) return;
    const side = isIn ? 'in' : 'out';
    this.check(value, isIn, this.toggles[side]);
    this.toggles[side] ^= 1;
    if (isIn) this.received(this.take(endpoint, value));
    else this.give(endpoint, value, this.toBoard.splice(0, PACKET));
  }
}
