// A table of words, links and small pictures.

import { make } from "/assets/shared/elements.mjs";

/**
 * @param {string} caption read by screen readers
 * @param {string[]} columns
 * @param {(string | Element)[][]} rows the first cell of each names it
 */
export function tableOf(caption, columns, rows) {
  const table = make("table", "figures-of-class");
  table.append(make("caption", "spoken", caption), rowOf("col", columns), ...rows.map((cells) => rowOf("row", cells)));
  return table;
}

/**
 * @param {"col" | "row"} scope
 * @param {(string | Element)[]} cells
 */
function rowOf(scope, cells) {
  const row = make("tr");
  cells.forEach((content, i) => {
    const isHead = content !== "" && (scope === "col" || i === 0);
    const cell = make(isHead ? "th" : "td");
    if (cell instanceof HTMLTableCellElement && isHead) cell.scope = scope;
    cell.append(content);
    row.append(cell);
  });
  return row;
}
