"use strict";
// A pull, to play and to step through, from the table of its samples.
document.addEventListener("DOMContentLoaded", () => {
  const chart = document.getElementById("chart"), table = document.getElementById("steps");
  if (!chart || !table) return;
  const names = [...table.tHead.rows[0].cells].map((cell) => cell.dataset.name);
  const steps = [...table.tBodies[0].rows].map((row) => {
    const step = { flow: Number(row.dataset.flow), place: row.dataset.place };
    [...row.cells].forEach((cell, i) => {
      const text = cell.textContent.replace("−", "-").replace(/\u00a0/g, "");
      step[names[i]] = text === "–" ? null : Number(text);
    });
    return step;
  });
  if (!steps.length) return;
  const d = chart.dataset, dot = document.getElementById("dot"), at = document.getElementById("at");
  const play = document.getElementById("play"), numbers = document.getElementById("numbers");
  const places = { inside: "Inside the map.", surge: "Left of the surge line.", choke: "Right of the choke line.", above: "Over the highest speed line.", below: "Under the lowest speed line." };
  const points = chart.querySelector("polyline.track").getAttribute("points").split(" ");
  let timer = 0;
  document.getElementById("walk").hidden = false;
  numbers.hidden = false;
  dot.setAttribute("visibility", "visible");
  function show(index) {
    const step = steps[index];
    at.value = index;
    at.setAttribute("aria-valuetext", `${step.seconds} s, ratio ${step.pressure_ratio}`);
    dot.setAttribute("transform", `translate(${points[index]})`);
    numbers.querySelectorAll("dd").forEach((cell) => {
      const value = step[cell.dataset.name];
      cell.textContent = healthtrack.number(value, Number(cell.dataset.decimals)) + (value === null || !cell.dataset.unit ? "" : " " + cell.dataset.unit);
    });
    document.getElementById("place").textContent = places[step.place] || "";
  }
  function stop() { clearTimeout(timer); timer = 0; play.textContent = "Play"; }
  function next() {
    const index = Number(at.value);
    if (index >= steps.length - 1) return stop();
    show(index + 1);
    timer = setTimeout(next, Math.max(20, 1000 * (steps[index + 1].seconds - steps[index].seconds)));
  }
  play.addEventListener("click", () => {
    if (timer) return stop();
    if (Number(at.value) >= steps.length - 1) show(0);
    play.textContent = "Stop";
    timer = setTimeout(next, 50);
  });
  const by = (n) => () => { stop(); show(Math.min(steps.length - 1, Math.max(0, Number(at.value) + n))); };
  document.getElementById("back").addEventListener("click", by(-1));
  document.getElementById("on").addEventListener("click", by(1));
  at.addEventListener("input", () => { stop(); show(Number(at.value)); });
  show(0);
});
