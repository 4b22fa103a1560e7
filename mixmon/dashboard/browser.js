// Keys reach the dashboard at once, without a click into it first.
addEventListener("load", () => document.querySelector(".xterm-helper-textarea")?.focus());
