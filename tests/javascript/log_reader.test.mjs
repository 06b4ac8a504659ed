import assert from "node:assert/strict";
import { afterEach, describe, test } from "node:test";

import { LogReader } from "../../dashboard/assets/shared/log_reader.mjs";

const { fetch } = globalThis;

/** Answers that come when the test lets them. @type {((ids: string[] | null) => void)[]} */
let asked = [];

function reader() {
  asked = [];
  globalThis.fetch = () => new Promise((resolve, reject) => {
    asked.push((ids) => {
      if (ids) resolve(new Response(JSON.stringify({ events: ids.map((id) => ({ id })) })));
      else reject(new Error("away"));
    });
  });
  /** @type {string[]} */
  const read = [];
  return { read, log: new LogReader("bed-1", (events) => read.push(events.map((one) => one.id).join(","))) };
}

/** All that is under way has been worked through. */
const settled = () => new Promise((resolve) => {
  setImmediate(resolve);
});

afterEach(() => {
  globalThis.fetch = fetch;
});

describe("a bed's log", () => {
  const card = { stay: 1, events: 5, moving_to: "" };

  test("is read when it has a new line, when another woman is there, and when a move is done", async () => {
    const { log, read } = reader();
    for (const one of [card, card, { ...card, events: 6 }, { ...card, events: 6, moving_to: "bed-2" }, { ...card, events: 6 }, { ...card, events: 6, stay: 2 }]) {
      log.follow(one);
      asked.at(-1)?.(["x"]);
      await settled();
    }
    assert.equal(read.length, 5);
  });

  test("that was overtaken is not shown", async () => {
    const { log, read } = reader();
    log.follow(card);
    log.follow({ ...card, events: 6 });
    asked[1]?.(["6", "5"]);
    await settled();
    asked[0]?.(["5"]);
    await settled();
    assert.deepEqual(read, ["6,5"]);
  });

  test("that could not be had is asked for again", async () => {
    const { log, read } = reader();
    log.follow(card);
    asked[0]?.(null);
    await settled();
    log.follow(card);
    asked[1]?.(["5"]);
    await settled();
    assert.deepEqual(read, ["5"]);
  });
});
