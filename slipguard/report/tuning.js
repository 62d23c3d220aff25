"use strict";
// A set that is chosen, by a dot or by its row, is marked in all plots and in the table.
const page = (() => {
  const rows = [...document.querySelectorAll("tr[data-set]")];
  let sets = null;

  function mark(indices) {
    for (const row of rows) row.classList.toggle("chosen", indices.includes(Number(row.dataset.set)));
  }

  function choose(row) {
    sets.selected.indices = [Number(row.dataset.set)];
  }

  function measure() {
    const main = document.querySelector("main"), paper = 690; // pixels of an A4 page
    document.documentElement.style.setProperty("--plots-px", `${main.clientWidth}px`);
    document.documentElement.style.setProperty(
      "--plots-fit", Math.min(1, paper / main.clientWidth));
  }

  function start(given) {
    sets = given.sets;
    sets.selected.change.connect(() => mark(sets.selected.indices));
    look.follow(sets.document.roots());
    for (const row of rows) {
      row.addEventListener("click", () => choose(row));
      row.addEventListener("keydown", (event) => {
        if (event.key === "Enter" || event.key === " ") {
          event.preventDefault();
          choose(row);
        }
      });
    }
    measure();
    addEventListener("resize", measure);
    document.documentElement.dataset.ready = "yes";
  }

  return { start, chosen: () => sets.selected.indices };
})();
