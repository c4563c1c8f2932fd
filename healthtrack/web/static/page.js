"use strict";
// Shared by all pages: the token for requests that change something.
const healthtrack = {
  token() { const tag = document.querySelector('meta[name="token"]'); return tag ? tag.content : ""; },
  colour(name) { return getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim(); },
  number(value, decimals) {
    if (value === null || value === undefined || Number.isNaN(value)) return "–";
    return value.toFixed(decimals).replace("-", "−");
  },
};
