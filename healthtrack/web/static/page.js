"use strict";
// Shared by all pages: the token for requests that change something.
const healthtrack = {
  token() { const tag = document.querySelector('meta[name="token"]'); return tag ? tag.content : ""; },
  colour(name) { return getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim(); },
  // A number's text with the reader's marks, as the server writes it.
  written(text) {
    const { decimal, thousands } = document.documentElement.dataset, [whole, rest] = text.split(".");
    const spaced = whole.replace(/\B(?=(\d{3})+$)/g, thousands);
    return rest === undefined ? spaced : spaced + decimal + rest;
  },
  number(value, decimals) {
    if (value === null || value === undefined || Number.isNaN(value)) return "–";
    return healthtrack.written(value.toFixed(decimals).replace("-", "−"));
  },
};
