// What the kinds of a log's lines are called: the words come with the page's shell.

import { _ } from "./language.mjs";
import { plain } from "./words.mjs";

/** @type {Record<string, string> | null} */
let words = null;

/** @param {string} kind */
export function word(kind) {
  words ??= /** @type {Record<string, string>} */ (JSON.parse(document.getElementById("page")?.dataset.logWords ?? "{}"));
  return _(words[kind] ?? plain(kind));
}
