// The socket, and the last half hour of every bed as rings by second.

export const KEPT_S = 1800;
export const HZ = 4;
export const NONE = -1;
const SILENT_MS = 3500; // a frame is due every second
const FIRST_DELAY_MS = 500;
const LONGEST_DELAY_MS = 4000;
const NOT_SIGNED_IN = 4401; // as the server closes it

export class Strip {
  constructor() {
    this.fhr = new Int16Array(KEPT_S * HZ).fill(NONE);
    this.ua = new Int16Array(KEPT_S * HZ).fill(NONE);
    this.first = -1;
    this.last = -1;
    this.marks = [];
    this.trend = []; // [second, baseline in bpm or null], a point a minute
  }

  // Takes `seconds` seconds from `first` on; returns the offset behind what it has read.
  read(view, offset, first, seconds, whole) {
    if (whole || this.last < 0 || first > this.last + KEPT_S || first < this.first) {
      this.fhr.fill(NONE);
      this.ua.fill(NONE);
      this.first = first;
    } else {
      for (let s = Math.max(this.last + 1, first - KEPT_S); s < first; s++) {
        for (const ring of [this.fhr, this.ua]) ring.fill(NONE, (s % KEPT_S) * HZ, (s % KEPT_S) * HZ + HZ);
      }
    }
    for (const ring of [this.fhr, this.ua]) {
      for (let s = 0; s < seconds; s++) {
        const at = ((first + s) % KEPT_S) * HZ;
        for (let k = 0; k < HZ; k++, offset += 2) ring[at + k] = view.getInt16(offset, true);
      }
    }
    if (seconds > 0) this.last = first + seconds - 1;
    this.first = Math.max(this.first, this.last - KEPT_S + 1);
    return offset;
  }
}

export class Feed {
  constructor({ onFrame, onLost, onSignedOut }) {
    this.onSignedOut = onSignedOut;
    this.onFrame = onFrame;
    this.onLost = onLost;
    this.strips = new Map();
    this.head = null;
    this.delay = FIRST_DELAY_MS;
    this.heardAt = Date.now();
    setInterval(() => this.checkSilence(), 500);
  }

  open() {
    const socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/live`);
    socket.binaryType = "arraybuffer";
    this.socket = socket;
    this.openedAt = Date.now();
    socket.onmessage = (event) => {
      if (socket !== this.socket) return;
      this.heardAt = Date.now();
      this.delay = FIRST_DELAY_MS;
      this.take(event.data);
    };
    socket.onclose = (event) => {
      if (socket !== this.socket) return;
      if (event.code === NOT_SIGNED_IN) this.onSignedOut();
      else this.lose();
    };
  }

  lose() {
    this.socket = null;
    this.onLost(this.heardAt);
    setTimeout(() => this.open(), this.delay);
    this.delay = Math.min(LONGEST_DELAY_MS, this.delay * 2);
  }

  checkSilence() {
    if (!this.socket || Date.now() - Math.max(this.heardAt, this.openedAt) <= SILENT_MS) return; // a new one gets its time
    const stale = this.socket;
    this.lose();
    stale.close();
  }

  take(buffer) {
    const view = new DataView(buffer);
    const length = view.getUint32(0, true);
    const head = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
    let offset = 4 + length;
    for (const bed of head.beds) {
      if (!this.strips.has(bed.card.bed)) this.strips.set(bed.card.bed, new Strip());
      const strip = this.strips.get(bed.card.bed);
      offset = strip.read(view, offset, bed.first, bed.seconds, head.whole);
      if (bed.marks) strip.marks = bed.marks;
      if (bed.trend) strip.trend = bed.trend;
    }
    this.head = head;
    this.onFrame(head, this.strips);
  }
}
