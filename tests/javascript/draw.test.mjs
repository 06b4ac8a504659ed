import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { beforeEach, describe, test } from "node:test";

import { drawIfMoved } from "../../dashboard/assets/shared/draw.mjs";
import { pxPerSecond } from "../../dashboard/assets/shared/geometry.mjs";
import { HZ, Strip } from "../../dashboard/assets/shared/strip.mjs";

const { strip_style: style } = JSON.parse(readFileSync(new URL("golden.json", import.meta.url), "utf8"));
const root = { dataset: { light: "day" }, lang: "en" };
const page = { dataset: { strip: JSON.stringify(style) } };
const document = { documentElement: root, getElementById: () => page };
class Path2D {
  moveTo() {}

  lineTo() {}
}
Object.assign(globalThis, { Path2D, document, window: { devicePixelRatio: 1 }, getComputedStyle: () => ({ getPropertyValue: () => "#123456" }) });

/** A canvas that counts how often all of it is painted. */
class Canvas {
  constructor() {
    this.clientWidth = this.width = 400;
    this.clientHeight = this.height = 100;
    this.painted = 0;
    this.pen = new Proxy({}, {
      get: (_pen, name) => {
        if (name === "measureText") return () => ({ width: 10 });
        return () => {
          if (name === "setTransform") this.painted += 1;
        };
      },
      set: () => true,
    });
  }

  getContext() {
    return this.pen;
  }
}

/**
 * @param {Strip} strip
 * @param {number} first
 * @param {number} seconds
 */
function append(strip, first, seconds) {
  const view = new DataView(new ArrayBuffer(4 * HZ * seconds));
  for (let i = 0; i < 2 * HZ * seconds; i++) view.setInt16(2 * i, 560, true);
  strip.read(view, 0, first, seconds, false);
}

describe("a strip on the ward", () => {
  /** @type {Canvas} */
  let canvas;
  /** @type {Strip} */
  let strip;

  function show(minuteCm = 1, /** @type {number | null} */ runningFrom = null) {
    const before = canvas.painted;
    drawIfMoved(/** @type {any} */ (canvas), strip, { minuteCm, bpmPerCm: "fit", runningFrom });
    return canvas.painted - before;
  }

  beforeEach(() => {
    canvas = new Canvas();
    strip = new Strip();
    append(strip, 1000, 60);
    assert.equal(show(), 1);
  });

  test("is drawn again when it has moved by a pixel, and not before", () => {
    assert.ok(pxPerSecond(1) < 1 && 2 * pxPerSecond(1) >= 1);
    append(strip, 1060, 1);
    assert.equal(show(), 0);
    append(strip, 1061, 1);
    assert.equal(show(), 1);
    assert.equal(show(), 0);
  });

  test("is drawn every second where a second has a pixel", () => {
    assert.equal(show(3), 1, "another speed");
    append(strip, 1060, 1);
    assert.equal(show(3), 1);
  });

  test("is drawn at once when something else is to be seen on it", () => {
    strip.mark([{ kind: "acceleration", from: 1010, to: 1030, text: "acceleration", why: [] }]);
    assert.equal(show(), 1);
    strip.trend = [[1059, 140]];
    assert.equal(show(), 1);
    assert.equal(show(1, 1050), 1, "a deceleration goes on");
    assert.equal(show(1, 1050), 0);
    assert.equal(show(1, null), 1);
    canvas.clientWidth = 380;
    assert.equal(show(), 1);
    root.dataset.light = "night";
    assert.equal(show(), 1);
    append(strip, 1050, 10);
    assert.equal(show(), 1, "seconds that came once more, with other values");
    strip = new Strip();
    append(strip, 1000, 60);
    assert.equal(show(), 1, "another woman's");
    assert.equal(show(), 0);
  });
});
