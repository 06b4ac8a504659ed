// Sends what a person does. The server hands it to the detector; whether that took it, the summary and the log say.

import { who } from "./who.mjs";

// Returns { by, trouble }: trouble is empty when the server has taken it; by is empty when nobody has said who it is.
export async function send(act) {
  const by = who();
  if (!by) return { by, trouble: "write your name first" };
  try {
    const response = await fetch("/act", { method: "POST", body: JSON.stringify({ ...act, by }) });
    return { by, trouble: response.ok ? "" : `not taken: ${await response.text()}` };
  } catch {
    return { by, trouble: "not sent: no connection to the server" };
  }
}

// The first line of a log, newest first, that `by` has brought about after line number `after`.
export function answerTo({ by, after }, newestFirst) {
  return newestFirst.find((event) => numberOf(event) > after && event.detail.by === by);
}

function numberOf(event) {
  return Number(event.id.slice(event.id.lastIndexOf("-") + 1));
}
