// The socket: frames as they come, and what is done when they do not.

import { readFrame } from "./frame.mjs";

/** @import { FrameHead, Strips } from "./types" */

const SILENT_MS = 3500; // a frame is due every second
const FIRST_DELAY_MS = 500;
const LONGEST_DELAY_MS = 4000;
const NOT_SIGNED_IN = 4401; // as the server closes it

export class Feed {
  /**
   * @param {object} listener
   * @param {(head: FrameHead, strips: Strips) => void} listener.onFrame
   * @param {(since: number) => void} listener.onLost
   * @param {() => void} listener.onSignedOut
   */
  constructor({ onFrame, onLost, onSignedOut }) {
    this.onFrame = onFrame;
    this.onLost = onLost;
    this.onSignedOut = onSignedOut;
    /** @type {Strips} */
    this.strips = new Map();
    /** @type {FrameHead | null} */
    this.head = null;
    this.delay = FIRST_DELAY_MS;
    this.heardAt = Date.now();
    this.openedAt = this.heardAt;
    /** @type {WebSocket | null} */
    this.socket = null;
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
      this.head = readFrame(event.data, this.strips);
      this.onFrame(this.head, this.strips);
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
}
