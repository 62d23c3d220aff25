"use strict";
// Light and dark: as the computer is set, or as the button says. Colours are the page's own; a
// model of the plotting library takes that of the role in its tag.
const look = (() => {
  const THEMES = ["auto", "light", "dark"];
  const system = matchMedia("(prefers-color-scheme: dark)");
  const button = document.getElementById("theme");
  let theme = "auto";
  let plots = [];

  function paint() {
    const dark = theme === "dark" || (theme === "auto" && system.matches);
    document.documentElement.classList.toggle("dark", dark);
    document.documentElement.style.colorScheme = dark ? "dark" : "light";
    button.textContent = { auto: "Auto", light: "Light", dark: "Dark" }[theme];
    const css = getComputedStyle(document.documentElement);
    const colour = (name) => css.getPropertyValue(`--${name}`).trim();
    for (const plot of plots) {
      plot.outline_line_color = colour("rule");
      for (const axis of [...plot.below, ...plot.left]) {
        axis.setv({
          axis_label_text_color: colour("faint"),
          major_label_text_color: colour("ink"),
          axis_line_color: colour("rule"),
          major_tick_line_color: colour("faint"),
          minor_tick_line_color: colour("rule"),
        });
      }
      for (const grid of plot.center) grid.setv({ grid_line_color: colour("grid") });
      for (const { glyph } of plot.renderers) {
        const role = (glyph.tags.find((tag) => tag.startsWith("role:")) || "").slice(5);
        for (const part of ["line_color", "fill_color", "hatch_color"]) {
          if (part in glyph.properties) glyph[part] = colour(role);
        }
      }
    }
  }

  function next() {
    theme = THEMES[(THEMES.indexOf(theme) + 1) % THEMES.length];
    try {
      localStorage.setItem("slipguard-theme", theme);
    } catch { /* a page opened from a file may have no storage */ }
    paint();
  }

  function follow(given) {
    plots = given;
    paint();
  }

  button.addEventListener("click", next);
  system.addEventListener("change", paint);
  try {
    theme = localStorage.getItem("slipguard-theme") || "auto";
  } catch { /* as above */ }
  if (!THEMES.includes(theme)) theme = "auto";
  paint();

  return { follow };
})();
