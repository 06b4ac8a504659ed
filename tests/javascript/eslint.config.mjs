// Called from the top of the repository, so that paths are those of the tree.

import js from "@eslint/js";
import globals from "globals";

const PAGE = ["dashboard/assets/**/*.mjs", "practice/page/**/*.mjs"];

export default [
  js.configs.recommended,
  {
    languageOptions: { ecmaVersion: 2023, sourceType: "module" },
    linterOptions: { reportUnusedDisableDirectives: "error" },
    rules: {
      curly: ["error", "multi-line"],
      eqeqeq: "error",
      "max-lines": ["error", { max: 250, skipBlankLines: true }],
      "no-else-return": "error",
      "no-eval": "error",
      "no-implicit-coercion": "error",
      "no-implied-eval": "error",
      "no-new-func": "error",
      "no-restricted-properties": [
        "error",
        { property: "innerHTML", message: "Words of people and devices must never become markup: use textContent." },
        { property: "outerHTML", message: "Words of people and devices must never become markup: use textContent." },
        { property: "insertAdjacentHTML", message: "Words of people and devices must never become markup: use textContent." },
      ],
      "no-shadow": "error",
      "no-throw-literal": "error",
      "no-unneeded-ternary": "error",
      "no-useless-rename": "error",
      "no-var": "error",
      "object-shorthand": "error",
      "prefer-const": "error",
      "prefer-template": "error",
      radix: "error",
      "sort-imports": ["error", { ignoreDeclarationSort: true, ignoreCase: true }],
      "require-await": "error",
    },
  },
  { files: PAGE, languageOptions: { globals: globals.browser } },
  { files: ["tests/javascript/**/*.mjs"], languageOptions: { globals: globals.nodeBuiltin } },
];
