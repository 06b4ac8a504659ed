import assert from "node:assert/strict";
import { describe, test } from "node:test";

import { CHOICES, readOptions, take } from "../../dashboard/assets/shared/choices.mjs";
import { Memory } from "../../dashboard/assets/shared/memory.mjs";

const USUAL = { order: "need", minute: "1", bpm: "fit", light: "auto" };

describe("options that a browser remembers", () => {
  test("are read back as they were written", () => {
    const chosen = { order: "place", minute: "3", bpm: "30", light: "night" };
    assert.deepEqual(readOptions(JSON.stringify(chosen)), chosen);
  });

  test("are the usual ones where nothing is written", () => assert.deepEqual(readOptions(null), USUAL));

  for (const text of ["{", "null", "7", "[]", '"day"', '{"__proto__": "day", "toString": "day"}']) {
    test(`are the usual ones where somebody else has written ${text}`, () => assert.deepEqual(readOptions(text), USUAL));
  }

  test("keep what is known of them", () => {
    assert.deepEqual(readOptions('{"minute": "2", "bpm": "25", "light": 1, "colour": "red"}'), { ...USUAL, minute: "2" });
  });

  test("are all among the choices, the usual ones, too", () => {
    for (const [name, value] of Object.entries(USUAL)) {
      const [, choice] = Object.entries(CHOICES).find(([one]) => one === name) ?? [];
      assert.ok(choice?.values.some(([known]) => known === value), name);
    }
  });

  test("take no value that is not among the choices", () => {
    const options = readOptions(null);
    take(options, "light", "night");
    take(options, "light", "dusk");
    take(options, "nothing", "day");
    assert.deepEqual(options, { ...USUAL, light: "night" });
  });
});

describe("the memory", () => {
  test("is the browser's", () => {
    /** @type {Map<string, string>} */
    const kept = new Map([["name", "Kim"]]);
    const memory = new Memory(() => ({ getItem: (key) => kept.get(key) ?? null, setItem: (key, value) => void kept.set(key, value) }));
    assert.equal(memory.get("name"), "Kim");
    memory.set("name", "Nora");
    assert.equal(kept.get("name"), "Nora");
    assert.equal(memory.get("other"), null);
  });

  test("holds while the page is open where the browser refuses", () => {
    const memory = new Memory(() => {
      throw new Error("refused");
    });
    assert.equal(memory.get("name"), null);
    memory.set("name", "Kim");
    assert.equal(memory.get("name"), "Kim");
  });
});
