"use strict";
// The marker along the settings that were tried; what each would have said is asked of the server.
document.addEventListener("DOMContentLoaded", () => {
  const form = document.getElementById("marker");
  if (!form) return;
  const slider = document.getElementById("at"), select = form.querySelector("select");
  const here = document.getElementById("here");
  let waiting = 0, asked = 0;
  document.getElementById("move").hidden = false;
  form.querySelector("button").hidden = true;
  const tell = () => slider.setAttribute("aria-valuetext", select.options[select.selectedIndex].dataset.words);
  function move(index) {
    const { x, y } = select.options[index].dataset;
    slider.value = index;
    select.selectedIndex = index;
    tell();
    if (here) {
      here.setAttribute("visibility", x === undefined ? "hidden" : "visible");
      if (x !== undefined) {
        here.setAttribute("transform", `translate(${x})`);
        here.querySelector("circle").setAttribute("cy", y);
      }
    }
    clearTimeout(waiting);
    waiting = setTimeout(load, 120);
  }
  async function load() {
    const mine = ++asked, address = `/tune?${new URLSearchParams(new FormData(form))}`;
    const answer = await fetch(address);
    if (mine !== asked || !answer.ok) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (mine !== asked) return;
    document.getElementById("shown").replaceChildren(...page.getElementById("shown").childNodes);
    history.replaceState(null, "", address);
  }
  slider.addEventListener("input", () => move(Number(slider.value)));
  select.addEventListener("change", () => move(select.selectedIndex));
  form.addEventListener("submit", (e) => { e.preventDefault(); move(select.selectedIndex); });
  tell();
});
