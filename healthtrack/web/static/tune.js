"use strict";
document.addEventListener("DOMContentLoaded", () => {
  const marker = document.getElementById("marker");
  if (marker) marker.querySelector("select").addEventListener("change", () => marker.requestSubmit());
});
