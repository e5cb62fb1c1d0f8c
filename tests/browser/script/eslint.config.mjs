/** Style of the page's script: what is recommended, and what has bitten before. */
import js from "@eslint/js";

const OF_A_BROWSER = ["Blob", "DecompressionStream", "HTMLElement", "HTMLInputElement", "HTMLSelectElement", "ResizeObserver",
  "Response", "URL", "URLSearchParams", "addEventListener", "atob", "clearTimeout", "devicePixelRatio", "document", "fetch",
  "getComputedStyle", "history", "innerHeight", "location", "matchMedia", "navigator", "performance", "queueMicrotask",
  "requestAnimationFrame", "setTimeout", "uPlot"];

export default [
  js.configs.recommended,
  {
    languageOptions: { ecmaVersion: 2022, sourceType: "module", globals: Object.fromEntries(OF_A_BROWSER.map((name) => [name, "readonly"])) },
    linterOptions: { reportUnusedDisableDirectives: "error" },
    rules: {
      "no-self-compare": "off", // x !== x is how a NaN is told in a tight loop
      "eqeqeq": "error", "no-var": "error", "prefer-const": "error", "no-shadow": "error", "no-implicit-coercion": "error",
      "no-eval": "error", "no-implied-eval": "error", "no-new-func": "error", "no-console": "error", "max-len": ["error", 140],
      "no-restricted-properties": ["error",
        ...["innerHTML", "outerHTML", "insertAdjacentHTML"].map((property) => ({ property, message: "text of files is text: use textContent" }))],
    },
  },
];
