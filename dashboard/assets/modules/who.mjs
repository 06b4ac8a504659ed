// Who uses this screen: asked once, remembered, always in sight, and part of everything that is done from here.

import { field, make } from "./elements.mjs";

const NAME_KEY = "quietward-name";
const LONGEST = 64;

export function mountWho() {
  const place = document.getElementById("who");
  if (!place || place.firstChild) return;
  const { label, input } = field("You", "input", { maxLength: LONGEST, placeholder: "your name", autocomplete: "off" });
  input.id = "who-name";
  input.value = localStorage.getItem(NAME_KEY) ?? "";
  input.addEventListener("input", () => {
    localStorage.setItem(NAME_KEY, input.value.trim());
    place.classList.remove("missing");
  });
  const missing = make("span", "missing-name", "write your name first");
  missing.setAttribute("role", "status");
  place.append(label, missing);
}

// Returns the name; without one it shows where to write it and returns an empty text.
export function who() {
  const input = document.getElementById("who-name");
  const name = input?.value.trim() ?? "";
  if (!name) {
    document.getElementById("who").classList.add("missing");
    input?.focus();
  }
  return name;
}
