import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { describe, test } from "node:test";

import { readFrame } from "../../dashboard/assets/shared/frame.mjs";
import { HZ, KEPT_S, NONE, Strip } from "../../dashboard/assets/shared/strip.mjs";

/** @typedef {{ first: number, last: number, fhr: (number | null)[], ua: (number | null)[] }} Held */

/** @type {{ first: number, frames: { bytes: string, held: Held }[] }} written by tests/golden.py */
const golden = JSON.parse(readFileSync(new URL("golden.json", import.meta.url), "utf8"));

/** @param {string} bytes */
function bufferOf(bytes) {
  return new Uint8Array(Buffer.from(bytes, "base64")).buffer;
}

/**
 * What a strip holds, as the server tells it.
 * @param {Strip} strip
 * @returns {Held}
 */
function heldBy(strip) {
  /** @param {Int16Array} ring @param {number} perUnit */
  const values = (ring, perUnit) => {
    /** @type {(number | null)[]} */
    const found = [];
    for (let i = strip.first * HZ; i < (strip.last + 1) * HZ; i++) {
      const value = ring[i % (KEPT_S * HZ)] ?? NaN;
      found.push(value === NONE ? null : value / perUnit);
    }
    return found;
  };
  return { first: strip.first, last: strip.last, fhr: values(strip.fhr, 4), ua: values(strip.ua, 2) };
}

/**
 * A strip that has read seconds whose samples all have one value.
 * @param {Strip} strip
 * @param {number} first
 * @param {number} seconds
 * @param {{ value?: number, whole?: boolean }} options
 */
function read(strip, first, seconds, { value = 560, whole = false } = {}) {
  const view = new DataView(new ArrayBuffer(seconds * HZ * 2 * 2));
  for (let i = 0; i < seconds * HZ * 2; i++) view.setInt16(i * 2, value, true);
  assert.equal(strip.read(view, 0, first, seconds, whole), view.byteLength);
  return strip;
}

test("the rate of a second twin stands behind the others, and has no value before it comes", () => {
  const strip = read(new Strip(), 100, 2);
  assert.equal(strip.fhr2, null);
  const view = new DataView(new ArrayBuffer(3 * HZ * 2));
  [560, 20, 600].forEach((value, ring) => {
    for (let k = 0; k < HZ; k++) view.setInt16((ring * HZ + k) * 2, value, true);
  });
  assert.equal(strip.read(view, 0, 102, 1, false, true), view.byteLength);
  assert.equal(strip.fhr2?.[102 * HZ], 600);
  assert.equal(strip.fhr2?.[101 * HZ], NONE);
  read(strip, 103, 1);
  assert.equal(strip.fhr2?.[103 * HZ], NONE);
});

/** @param {Strip} strip @param {number} second */
function at(strip, second) {
  return strip.fhr[(second % KEPT_S) * HZ];
}

test("a strip that begins anew with nothing holds nothing, and goes on from there", () => {
  const strip = read(new Strip(), 1000, 20);
  read(strip, 1020, 0, { whole: true });
  assert.equal(strip.last, -1);
  assert.equal(at(strip, 1010), NONE);
  read(strip, 1030, 2);
  assert.deepEqual([strip.first, strip.last], [1030, 1031]);
});

describe("frames that the server has made", () => {
  test("give the strip that the server holds, over the end of the ring and over missing seconds", () => {
    const strips = new Map();
    for (const { bytes, held } of golden.frames) {
      readFrame(bufferOf(bytes), strips);
      assert.deepEqual(heldBy(strips.get("bed-1")), held);
    }
  });

  test("carry marks and trend when they have changed, and leave them when they have not", () => {
    const [whole, update] = golden.frames.map(({ bytes }) => bufferOf(bytes));
    assert.ok(whole && update);
    /** @type {Map<string, Strip>} */
    const strips = new Map();
    const head = readFrame(whole, strips);
    assert.deepEqual(head.beds.map((bed) => bed.card.bed), ["bed-1", "bed-2"]);
    assert.deepEqual(strips.get("bed-1")?.trend, [[golden.first, null], [golden.first + 3, 141.5]]);
    assert.deepEqual(strips.get("bed-1")?.marks.map((mark) => [mark.kind, mark.from, mark.to]), [["contraction", golden.first, golden.first + 4]]);
    const other = { kind: "contraction", from: 1, to: 2, text: "", why: [] };
    strips.get("bed-2")?.marks.push(other);
    readFrame(update, strips);
    assert.equal(strips.get("bed-1")?.marks.length, 2);
    assert.deepEqual(strips.get("bed-2")?.marks, [other]);
  });

  test("know beds that have no signal yet", () => {
    const strips = new Map();
    readFrame(bufferOf(golden.frames[0]?.bytes ?? ""), strips);
    assert.equal(strips.get("bed-2").last, -1);
  });
});

describe("a strip", () => {
  test("has no value where seconds are missing between two reads", () => {
    const strip = read(read(new Strip(), 100, 2), 105, 1, { value: 480 });
    assert.deepEqual([101, 102, 103, 104, 105].map((second) => at(strip, second)), [560, NONE, NONE, NONE, 480]);
    assert.deepEqual([strip.first, strip.last], [100, 105]);
  });

  test("forgets what a missing second held an hour before", () => {
    const strip = read(read(new Strip(), 0, KEPT_S), KEPT_S + 1, 1);
    assert.equal(at(strip, KEPT_S), NONE);
    assert.equal(strip.first, 2);
  });

  test("begins anew after a break longer than itself, before its beginning, and when everything comes", () => {
    for (const next of [{ first: 100 + KEPT_S + 9, whole: false }, { first: 50, whole: false }, { first: 101, whole: true }]) {
      const strip = read(read(new Strip(), 100, 1), next.first, 1, { value: 400, whole: next.whole });
      assert.equal(strip.first, next.first);
      assert.equal(at(strip, 100), NONE);
      assert.equal(at(strip, next.first), 400);
    }
  });

  test("takes a second once more", () => {
    const strip = read(read(new Strip(), 100, 3), 101, 2, { value: 400 });
    assert.deepEqual([100, 101, 102].map((second) => at(strip, second)), [560, 400, 400]);
  });
});
