// Small pieces both views are made of.

const SVG = "http://www.w3.org/2000/svg";
const OUTLINES = {
  ring: "M10 2a8 8 0 1 0 .01 0zm0 3a5 5 0 1 1-.01 0z",
  diamond: "M10 1l9 9-9 9-9-9z",
  triangle: "M10 2l9 16H1z",
  hexagon: "M5.5 2h9l5 8-5 8h-9l-5-8z",
  gap: "M1 9h5v3H1zm13 0h5v3h-5z",
  cross: "M3 5l2-2 5 5 5-5 2 2-5 5 5 5-2 2-5-5-5 5-2-2 5-5z",
};

export function make(tag, className = "", text = "") {
  const element = document.createElement(tag);
  if (className) element.className = className;
  if (text) element.textContent = text;
  return element;
}

// Changes the text only when it differs, so that nothing is spoken or laid out again for nothing.
export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

export function shape() {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", "0 0 20 20");
  svg.setAttribute("class", "shape");
  svg.setAttribute("aria-hidden", "true");
  svg.append(document.createElementNS(SVG, "path"));
  return svg;
}

export function setShape(svg, name) {
  const path = svg.firstChild;
  if (path.getAttribute("d") !== OUTLINES[name]) path.setAttribute("d", OUTLINES[name]);
}

export function duration(seconds) {
  if (seconds < 90) return `${Math.round(seconds)} s`;
  return `${Math.round(seconds / 60)} min`;
}

export function waiting(card) {
  if (card.acknowledged_by) return `answered by ${card.acknowledged_by}`;
  if (card.waiting_s !== null && card.flag) return `unanswered for ${duration(card.waiting_s)}`;
  return "";
}

export function signalWords(card) {
  const age = card.age_s === null ? "" : ` · data ${card.age_s < 10 ? card.age_s.toFixed(1) : Math.round(card.age_s)} s old`;
  return `signal ${card.signal}${card.signal_reason ? ` (${card.signal_reason})` : ""}${age}`;
}
