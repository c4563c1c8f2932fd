"use strict";
// A pull, to play and to step through, from the table of its samples.
document.addEventListener("DOMContentLoaded", () => {
  const chart = document.getElementById("chart"), table = document.getElementById("steps");
  if (!chart || !table) return;
  const names = [...table.tHead.rows[0].cells].map((cell) => cell.dataset.name);
  const steps = [...table.tBodies[0].rows].map((row) => ({
    at: Number(row.dataset.seconds), place: row.dataset.place,
    words: Object.fromEntries([...row.cells].map((cell, i) => [names[i], cell.textContent])),
  }));
  if (!steps.length) return;
  const dot = document.getElementById("dot"), slider = document.getElementById("at");
  const play = document.getElementById("play"), numbers = document.getElementById("numbers");
  const places = { inside: "Inside the map.", surge: "Left of the surge line.", choke: "Right of the choke line.", above: "Over the highest speed line.", below: "Under the lowest speed line." };
  const points = chart.querySelector("polyline.track").getAttribute("points").split(" ").map((p) => p.split(",").map(Number));
  const last = steps.length - 1, calm = matchMedia("(prefers-reduced-motion: reduce)").matches;
  let frame = 0;
  document.getElementById("walk").hidden = false;
  numbers.hidden = false;
  dot.setAttribute("visibility", "visible");
  const put = (x, y) => dot.setAttribute("transform", `translate(${x} ${y})`);
  function show(index) {
    const step = steps[index];
    slider.value = index;
    slider.setAttribute("aria-valuetext", `${step.words.seconds} s, ratio ${step.words.pressure_ratio}`);
    put(...points[index]);
    numbers.querySelectorAll("dd").forEach((cell) => {
      const text = step.words[cell.dataset.name];
      cell.textContent = text + (text === "–" || !cell.dataset.unit ? "" : "\u00a0" + cell.dataset.unit);
    });
    document.getElementById("place").textContent = places[step.place] || "";
  }
  function stop() { cancelAnimationFrame(frame); frame = 0; play.textContent = "Play"; }
  // Time runs as it did: the dot glides from sample to sample, the numbers are those of the samples.
  function run() {
    const began = performance.now() - 1000 * (steps[Number(slider.value)].at - steps[0].at);
    const next = (now) => {
      const at = (now - began) / 1000 + steps[0].at;
      let index = Number(slider.value);
      while (index < last && steps[index + 1].at <= at) index += 1;
      if (index !== Number(slider.value)) show(index);
      if (index === last) return stop();
      if (!calm) {
        const share = Math.max(0, (at - steps[index].at) / (steps[index + 1].at - steps[index].at || 1));
        put(...[0, 1].map((i) => points[index][i] + share * (points[index + 1][i] - points[index][i])));
      }
      frame = requestAnimationFrame(next);
    };
    frame = requestAnimationFrame(next);
  }
  play.addEventListener("click", () => {
    if (frame) { const index = Number(slider.value); stop(); return show(index); }
    if (Number(slider.value) >= last) show(0);
    play.textContent = "Stop";
    run();
  });
  const by = (n) => () => { stop(); show(Math.min(last, Math.max(0, Number(slider.value) + n))); };
  document.getElementById("back").addEventListener("click", by(-1));
  document.getElementById("on").addEventListener("click", by(1));
  slider.addEventListener("input", () => { stop(); show(Number(slider.value)); });
  show(0);
});
