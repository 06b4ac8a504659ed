// Stands in for the page's shell, from which the description of a strip is read.

import { readFileSync } from "node:fs";

const strip = readFileSync(new URL("strip_style.json", import.meta.url), "utf8");
Object.assign(globalThis, { document: { getElementById: () => ({ dataset: { strip } }) } });
