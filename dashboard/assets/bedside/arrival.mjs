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

/**
 * The same the other way round: what a form holds of an arrival.
 * @param {Arrival} arrival
 * @returns {Written}
 */
export function writtenOf({ label, weeks, parity, stage, twins, risks, note }) {
  return {
    label,
    weeks: textOf(weeks),
    parity: textOf(parity),
    stage: textOf(stage),
    fetuses: twins === null ? "" : twins ? "twins" : "single",
    risks,
    note,
  };
}

/** @param {number | null} value */
function textOf(value) {
  return value === null ? "" : String(value);
}

/** @param {string} text */
function numberOf(text) {
  return text.trim() === "" ? null : Number(text);
}
