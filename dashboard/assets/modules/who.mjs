// Who uses this screen: signed in, or, where the page is open, a name that is asked for once, remembered and in sight.

import { button, field, make, memory } from "./elements.mjs";

const NAME_KEY = "quietward-name";
const LONGEST = 64;
let me = null; // { open, name, role }: what the server says; null until it has

export async function mountWho() {
  const place = document.getElementById("who");
  if (!place || place.dataset.state) return;
  place.dataset.state = "asked";
  try {
    me ??= await (await fetch("/me")).json();
  } catch {
    delete place.dataset.state; // the trouble line says that the server is away; asked again with the next frame
    return;
  }
  document.body.dataset.role = me.role;
  if (me.open) askName(place);
  else {
    const out = button("Sign out", "plain", signOut);
    place.append(make("span", "signed-in", `${me.name}, ${me.role}`), out);
  }
}

export function role() {
  return me?.role ?? "";
}

function askName(place) {
  const { label, input } = nameField();
  input.id = "who-name";
  const missing = make("span", "missing-name", "write your name first");
  missing.setAttribute("role", "status");
  place.append(label, missing);
}

// A field for one's own name; all of them say the same.
export function nameField() {
  const found = field("You", "input", { maxLength: LONGEST, placeholder: "your name", autocomplete: "off", className: "own-name" });
  found.input.value = memory.get(NAME_KEY) ?? "";
  found.input.addEventListener("input", () => {
    memory.set(NAME_KEY, found.input.value.trim());
    for (const other of document.querySelectorAll(".own-name")) if (other !== found.input) other.value = found.input.value;
    document.getElementById("who").classList.remove("missing");
  });
  return found;
}

// Whether somebody must still say who she is.
export function isNameless() {
  return me?.open !== false && !(memory.get(NAME_KEY) ?? "").trim();
}

async function signOut() {
  try {
    await fetch("/sign-out", { method: "POST" });
  } finally {
    toSignIn();
  }
}

export function toSignIn() {
  location.assign(`/sign-in?next=${encodeURIComponent(location.pathname + location.search)}`);
}

// Returns the name; without one it shows where to write it and returns an empty text.
export function who() {
  if (me && !me.open) return me.name;
  if (!isNameless()) return memory.get(NAME_KEY).trim();
  document.getElementById("who").classList.add("missing");
  (document.querySelector("dialog[open] .own-name") ?? document.getElementById("who-name"))?.focus();
  return "";
}
