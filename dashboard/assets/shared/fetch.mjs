// Asks the server for a document.

import { _, said } from "./language.mjs";

/**
 * `fail` is told in words what went wrong; then there is none: null.
 * @template Answer
 * @param {string} path
 * @param {(words: string) => void} fail
 * @param {RequestInit} options
 * @returns {Promise<Answer | null>}
 */
export async function fetchJson(path, fail, options = {}) {
  try {
    const answer = await fetch(path, options);
    if (answer.ok) return await answer.json();
    fail(said(await answer.text()));
  } catch {
    fail(_("The server does not answer."));
  }
  return null;
}

/** What tells the server the time zone of this screen. */
export function utcOffset() {
  return `utc-offset-min=${-new Date().getTimezoneOffset()}`;
}
