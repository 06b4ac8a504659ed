// The line that says what is wrong with the system itself.

/** @param {string} text */
export function showTrouble(text) {
  const box = document.getElementById("trouble");
  if (!box) return;
  if (box.textContent !== text) box.textContent = text;
  box.classList.remove("beginning");
  box.hidden = false;
}

export function hideTrouble() {
  const box = document.getElementById("trouble");
  if (box) box.hidden = true;
}
