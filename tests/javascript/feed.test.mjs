// What a screen says when something has come that it cannot show.

import assert from "node:assert/strict";
import { test } from "node:test";

import { Feed } from "../../dashboard/assets/shared/feed.mjs";

class Socket {
  /** @type {Socket[]} */
  static opened = [];
  binaryType = "";
  isClosed = false;
  /** @type {((event: { data: ArrayBuffer }) => void) | null} */
  onmessage = null;

  constructor() {
    Socket.opened.push(this);
  }

  close() {
    this.isClosed = true;
  }
}

/** @param {object} head */
function frame(head) {
  const json = new TextEncoder().encode(JSON.stringify(head));
  const bytes = new Uint8Array(4 + json.length);
  new DataView(bytes.buffer).setUint32(0, json.length, true);
  bytes.set(json, 4);
  return bytes.buffer;
}

test("what cannot be shown is said, and all is asked for anew until it can be", () => {
  /** @type {(() => void)[]} */
  const due = [];
  const later = (/** @type {() => void} */ act) => due.push(act);
  let now = 1_000_000;
  Object.assign(globalThis, { WebSocket: Socket, location: { protocol: "http:", host: "ward" }, setTimeout: later, setInterval: later });
  Date.now = () => now;
  const pass = () => {
    now += 1000;
    due.splice(0).forEach((act) => act());
  };
  let fails = false;
  /** @type {number[]} */
  const shown = [];
  /** @type {number[]} */
  const notShown = [];
  const feed = new Feed({
    onFrame(head) {
      if (fails) throw new Error("cannot be drawn");
      shown.push(head.now);
    },
    onLost: () => assert.fail("the server is there"),
    onNotShown: (since) => notShown.push(since),
    onSignedOut: () => assert.fail("signed in"),
  });
  feed.open();
  const newest = () => Socket.opened.at(-1) ?? assert.fail("none opened");
  newest().onmessage?.({ data: frame({ now: 1, beds: [] }) });
  assert.deepEqual([shown, notShown], [[1], []]);

  fails = true;
  pass();
  const first = newest();
  assert.throws(() => first.onmessage?.({ data: frame({ now: 2, beds: [] }) }), /cannot be drawn/);
  assert.deepEqual([shown, notShown, first.isClosed], [[1], [1_000_000], true]);
  pass();
  assert.notEqual(newest(), first, "another is opened");
  assert.throws(() => newest().onmessage?.({ data: new ArrayBuffer(2) }), RangeError);
  assert.deepEqual(notShown, [1_000_000, 1_000_000], "since the last that was shown");

  fails = false;
  pass();
  newest().onmessage?.({ data: frame({ now: 3, beds: [] }) });
  assert.deepEqual(shown, [1, 3]);
});

test("screens that lost the same server do not all come back at once", () => {
  /** @type {number[]} */
  const waits = [];
  let drawn = 0;
  Object.assign(globalThis, {
    WebSocket: Socket, location: { protocol: "http:", host: "ward" },
    setTimeout: (/** @type {() => void} */ _act, /** @type {number} */ ms) => waits.push(ms), setInterval: () => 0,
  });
  Math.random = () => drawn;
  const feed = new Feed({ onFrame: () => {}, onLost: () => {}, onNotShown: () => {}, onSignedOut: () => {} });
  for (const random of [0, 0.5, 0.999]) {
    drawn = random;
    feed.lose();
  }
  assert.deepEqual(waits.map(Math.round), [250, 750, 1999], "of 500, 1000 and 2000 ms between half and all, by chance");
  drawn = 1 - Number.EPSILON;
  for (let i = 0; i < 5; i++) feed.lose();
  assert.ok(waits.every((ms) => ms <= 4000), "never longer than the longest");
});
