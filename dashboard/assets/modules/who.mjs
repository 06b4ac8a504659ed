// Who uses this screen: signed in, or, where the page is open, a name that is asked for once, remembered and in sight.

import { button, field, make } from "./elements.mjs";

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
  const input = document.getElementById("who-name");
  const name = input?.value.trim() ?? "";
  if (!name) {
    document.getElementById("who").classList.add("missing");
    input?.focus();
  }
  return name;
}
