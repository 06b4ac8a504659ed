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
   * @param {(since: number) => void} listener.onNotShown something has come that could not be shown, since the last that was
   * @param {() => void} listener.onSignedOut
   */
  constructor({ onFrame, onLost, onNotShown, onSignedOut }) {
    this.onFrame = onFrame;
    this.onLost = onLost;
    this.onNotShown = onNotShown;
    this.onSignedOut = onSignedOut;
    /** @type {Strips} */
    this.strips = new Map();
    /** @type {FrameHead | null} */
    this.head = null;
    this.delay = FIRST_DELAY_MS;
    this.heardAt = Date.now();
    this.shownAt = this.heardAt;
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
      this.take(event.data);
    };
    socket.onclose = (event) => {
      if (socket !== this.socket) return;
      if (event.code === NOT_SIGNED_IN) this.onSignedOut();
      else this.lose();
    };
  }

  /** @param {ArrayBuffer} data */
  take(data) {
    try {
      this.head = readFrame(data, this.strips);
      this.onFrame(this.head, this.strips);
      this.shownAt = Date.now();
      this.delay = FIRST_DELAY_MS;
    } catch (error) {
      this.onNotShown(this.shownAt);
      this.openAgain(); // which brings all that is known anew
      throw error; // into the browser's console
    }
  }

  lose() {
    this.onLost(this.heardAt);
    this.openAgain();
  }

  openAgain() {
    const old = this.socket;
    this.socket = null;
    old?.close();
    setTimeout(() => this.open(), this.delay * (0.5 + Math.random() / 2)); // not all screens at the same moment
    this.delay = Math.min(LONGEST_DELAY_MS, this.delay * 2);
  }

  checkSilence() {
    if (!this.socket || Date.now() - Math.max(this.heardAt, this.openedAt) <= SILENT_MS) return; // a new one gets its time
    this.lose();
  }
}
