import assert from "node:assert/strict";
import { afterEach, mock, test } from "node:test";

import { ANSWER_WITHIN_MS, send } from "../../dashboard/assets/bedside/send.mjs";
import { memory } from "../../dashboard/assets/shared/memory.mjs";

memory.set("quietward-name", "Kim");

afterEach(() => mock.restoreAll());

const pressed = () => send("bed-1", 7, { type: "leave" });

test("what is sent says who, for whom, and is taken or refused by the server's answer", async () => {
  const asked = mock.method(globalThis, "fetch", () => Promise.resolve(new Response(null, { status: 204 })));
  assert.deepEqual(await pressed(), { by: "Kim", trouble: "", isUnsure: false });
  assert.deepEqual(JSON.parse(String(asked.mock.calls[0]?.arguments[1]?.body)), { type: "leave", bed: "bed-1", by: "Kim", stay: 7 });
  mock.method(globalThis, "fetch", () => Promise.resolve(new Response("no", { status: 422 })));
  assert.deepEqual(await pressed(), { by: "Kim", trouble: "rejected: no", isUnsure: false });
});

test("what no answer came to may have been taken, and nobody waits for one for long", async () => {
  const limit = mock.method(AbortSignal, "timeout", () => AbortSignal.abort());
  mock.method(globalThis, "fetch", (/** @type {string} */ _path, /** @type {RequestInit} */ options) => (options.signal?.aborted ? Promise.reject(options.signal.reason) : new Promise(() => {})));
  const { trouble, isUnsure } = await pressed();
  assert.match(trouble, /^not confirmed, .* before you press again$/);
  assert.equal(isUnsure, true);
  assert.deepEqual(limit.mock.calls[0]?.arguments, [ANSWER_WITHIN_MS]);
  assert.equal(ANSWER_WITHIN_MS, 10_000);
});
