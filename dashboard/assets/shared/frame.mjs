// Reads a frame: uint32 length of the head, the head as JSON, then for each of its beds FHR and UA of the new seconds as
// int16, and of twins the second FHR; all little-endian. The server's side is dashboard/live/hub.py.

import { Strip } from "./strip.mjs";

/** @import { FrameHead, Strips } from "./types" */

/**
 * Takes what is new into the strips and returns the head.
 * @param {ArrayBuffer} buffer
 * @param {Strips} strips
 * @returns {FrameHead}
 */
export function readFrame(buffer, strips) {
  const view = new DataView(buffer);
  const length = view.getUint32(0, true);
  /** @type {FrameHead} */
  const head = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  let offset = 4 + length;
  for (const bed of head.beds) {
    const strip = strips.get(bed.card.bed) ?? new Strip();
    strips.set(bed.card.bed, strip);
    offset = strip.read(view, offset, bed.first, bed.seconds, head.whole || bed.is_new === true, bed.has_second === true);
    if (bed.marks) strip.mark(bed.marks);
    if (bed.trend) [strip.trend, strip.trend2] = [bed.trend, bed.trend2 ?? []];
  }
  return head;
}
