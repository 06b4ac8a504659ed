// The line that says what is wrong with the system itself.

import { setHidden, setText } from "./elements.mjs";

/** @param {string} text */
export function showTrouble(text) {
  const box = document.getElementById("trouble");
  if (!box) return;
  setText(box, text);
  box.classList.remove("beginning");
  setHidden(box, false);
}

export function hideTrouble() {
  const box = document.getElementById("trouble");
  if (box) setHidden(box, true);
}
