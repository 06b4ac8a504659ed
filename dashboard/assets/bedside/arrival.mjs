// What was written in the form of an arrival, as the server takes it: what was left open is not said. Pure.

/** @import { Arrival } from "../shared/types" */

/** @typedef {{ label: string, weeks: string, parity: string, stage: string, fetuses: string, risks: string[], note: string }} Written */

/**
 * @param {Written} written
 * @returns {Arrival}
 */
export function arrivalOf({ label, weeks, parity, stage, fetuses, risks, note }) {
  return {
    label: label.trim(),
    weeks: numberOf(weeks),
    parity: numberOf(parity),
    stage: numberOf(stage),
    twins: fetuses === "" ? null : fetuses === "twins",
    risks,
    note: note.trim(),
  };
}

/** @param {string} text */
function numberOf(text) {
  return text.trim() === "" ? null : Number(text);
}
