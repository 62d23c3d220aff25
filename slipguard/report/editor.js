"use strict";
// Labels to draw, drag and save. What is not saved yet is kept in the browser at every change.
// Events have the times of the recording, as in the file; what is shown counts from its first row.
const editor = (() => {
  const about = JSON.parse(document.getElementById("editing").textContent);
  const element = (id) => document.getElementById(id);
  const KEY = `slipguard-labels:${about.file}`;
  const ALWAYS = [...about.wheels.map((wheel) => ["wheel_spin", wheel]), ["rolling", null]];
  const SHORT = { wheel_spin: "spin", wheel_lock: "lock", sensor_fault: "fault",
    link_lost: "link lost", tip_over_risk: "tip-over" };
  const EDGE_PX = 10, LEAST_PX = 4;
  let version = about.version; // of the file these edits start from
  let events = about.events;
  let confirmed = about.confirmed;
  let chosen = null;
  let view = null;
  let drag = null;
  let unsaved = !about.saved;
  let kept = true; // whether the browser keeps what is not saved
  const past = [];

  const whole = (value) => Math.round(value * 1000) / 1000;
  const shown = (t) => Math.round((t - about.start_s) * 1e6) / 1e6;
  const inside = (t) => whole(Math.min(about.end_s, Math.max(about.start_s, t)));
  const copy = () => JSON.stringify({ version, events, confirmed });

  // -- keeping -------------------------------------------------------------------------------

  function keep() {
    unsaved = true;
    try {
      localStorage.setItem(KEY, copy());
      kept = true;
    } catch {
      kept = false;
    }
  }

  function forget() {
    unsaved = false;
    try {
      localStorage.removeItem(KEY);
    } catch { /* nothing was kept */ }
  }

  function restore() {
    let draft = null;
    try {
      draft = JSON.parse(localStorage.getItem(KEY));
    } catch { /* no storage, or nothing of ours */ }
    if (draft === null || !Array.isArray(draft.events)) return;
    ({ events, confirmed } = draft);
    unsaved = true;
    if (draft.version !== version) {
      tell(`${about.name} was changed since these edits were made. Save puts them in place of ` +
        "its events and keeps a copy of it; Discard shows the file.");
    }
  }

  // Every change goes through here: it can be undone, and it survives a reload.
  function change(how) {
    past.push(JSON.stringify({ events, confirmed }));
    how();
    keep();
    draw();
  }

  function undo() {
    if (!past.length) return;
    ({ events, confirmed } = JSON.parse(past.pop()));
    chosen = null;
    keep();
    draw();
  }

  function discard() {
    forget();
    ({ events, confirmed } = about);
    version = about.version;
    unsaved = !about.saved;
    past.length = 0;
    chosen = null;
    tell("");
    draw();
  }

  async function save() {
    const token = new URLSearchParams(location.search).get("token");
    const sent = copy();
    element("label-save").disabled = true;
    let trouble = "";
    try {
      const answer = await fetch(`/labels?token=${encodeURIComponent(token)}`, {
        method: "POST", headers: { "Content-Type": "application/json" }, body: sent,
      });
      const said = await answer.json();
      if (answer.ok) {
        const untouched = copy() === sent;
        version = about.version = said.version;
        ({ events: about.events, confirmed: about.confirmed } = JSON.parse(sent));
        about.saved = true;
        if (untouched) forget();
        else keep();
      } else {
        trouble = `Not saved: ${said.error}`;
      }
    } catch (error) {
      trouble = "Not saved: slipguard does not answer. Start it again; your edits are kept here " +
        `until then (${error.message}).`;
    }
    element("label-save").disabled = false;
    tell(trouble);
    draw();
  }

  function tell(words) {
    element("label-trouble").textContent = words;
    element("label-trouble").hidden = !words;
  }

  // -- drawing -------------------------------------------------------------------------------

  const nameOf = (kind, wheel) =>
    `${SHORT[kind] || kind.replaceAll("_", " ")}${wheel ? ` ${wheel}` : ""}`;

  function draw() {
    if (view === null) return;
    const lanes = new Map(ALWAYS.map(([kind, wheel]) => [nameOf(kind, wheel), { kind, wheel }]));
    for (const { kind, wheel } of events) lanes.set(nameOf(kind, wheel), { kind, wheel });
    const rows = [...lanes].map(([name, { kind, wheel }]) => {
      const row = document.createElement("div"), words = document.createElement("span");
      const track = document.createElement("div");
      row.className = "label-lane";
      track.className = "label-track";
      Object.assign(track.dataset, { lane: name, kind, wheel: wheel || "" });
      words.textContent = name;
      events.forEach((one, i) => {
        if (nameOf(one.kind, one.wheel) === name) track.append(bar(one, i));
      });
      row.append(words, track);
      return row;
    });
    const focused = document.activeElement?.dataset?.number;
    element("lanes").replaceChildren(...rows);
    if (focused !== undefined) {
      document.querySelector(`.label-one[data-number="${focused}"]`)?.focus();
    }
    fill();
  }

  function bar(one, i) {
    const out = document.createElement("button"), length = view.end - view.start;
    const [start, end] = [shown(one.start_s), shown(one.end_s)];
    const left = (start - view.start) / length, right = (end - view.start) / length;
    out.type = "button";
    out.className = "label-one";
    out.classList.toggle("chosen", i === chosen);
    out.classList.toggle("slight", Boolean(one.slight));
    out.dataset.number = i;
    out.style.left = `${100 * Math.max(-1, left)}%`;
    out.style.width = `${100 * (Math.min(2, right) - Math.max(-1, left))}%`;
    out.hidden = right < 0 || left > 1;
    out.style.setProperty("--kind", `var(--${one.kind})`);
    out.title = `${nameOf(one.kind, one.wheel)}, ${start} to ${end} s` +
      (one.slight ? ", slight" : "");
    out.setAttribute("aria-label", out.title);
    return out;
  }

  function fill() {
    const one = chosen === null ? null : events[chosen];
    for (const id of ["kind", "wheel", "start", "end", "slight", "delete"]) {
      element(`label-${id}`).disabled = one === null;
    }
    element("label-kind").value = one ? one.kind : "";
    element("label-wheel").value = one && one.wheel ? one.wheel : "";
    element("label-start").value = one ? shown(one.start_s) : "";
    element("label-end").value = one ? shown(one.end_s) : "";
    element("label-slight").checked = Boolean(one && one.slight);
    element("label-confirmed").checked = confirmed;
    element("label-undo").disabled = !past.length;
    element("label-discard").disabled = !unsaved;
    element("label-state").textContent = !unsaved
      ? `saved, ${confirmed ? "confirmed" : "proposed"}`
      : past.length || about.saved ? "not saved yet" : "proposed, not saved yet";
  }

  // -- dragging ------------------------------------------------------------------------------

  function timeAt(track, x) {
    const box = track.getBoundingClientRect();
    const share = (x - box.left) / box.width;
    return about.start_s + view.start + share * (view.end - view.start);
  }

  function press(event) {
    const track = event.target.closest(".label-track");
    if (track === null || event.button !== 0) return;
    const button = event.target.closest(".label-one");
    const t = timeAt(track, event.clientX);
    const { kind, wheel } = track.dataset;
    drag = { track: track.dataset.lane, x: event.clientX, t, moved: false, how: "new", kind,
      wheel: wheel || null };
    if (button !== null) {
      chosen = Number(button.dataset.number);
      const box = button.getBoundingClientRect();
      const edge = Math.min(EDGE_PX, 0.5 * box.width);
      drag.how = event.clientX - box.left <= edge ? "start"
        : box.right - event.clientX <= edge ? "end" : "move";
      drag.was = { ...events[chosen] };
    }
    element("lanes").setPointerCapture(event.pointerId);
    draw();
  }

  function pull(event) {
    if (drag === null) return;
    if (!drag.moved && Math.abs(event.clientX - drag.x) < LEAST_PX) return;
    const track = document.querySelector(`.label-track[data-lane="${drag.track}"]`);
    const t = timeAt(track, event.clientX);
    if (!drag.moved) {
      drag.moved = true;
      past.push(JSON.stringify({ events, confirmed }));
      if (drag.how === "new") {
        events = [...events, { kind: drag.kind, wheel: drag.wheel, start_s: 0, end_s: 0 }];
        chosen = events.length - 1;
      }
    }
    const one = { ...events[chosen] };
    if (drag.how === "new") {
      [one.start_s, one.end_s] = [inside(Math.min(drag.t, t)), inside(Math.max(drag.t, t))];
    } else if (drag.how === "start") {
      one.start_s = Math.min(inside(t), one.end_s);
    } else if (drag.how === "end") {
      one.end_s = Math.max(inside(t), one.start_s);
    } else {
      const by = Math.min(about.end_s - drag.was.end_s,
        Math.max(about.start_s - drag.was.start_s, t - drag.t));
      [one.start_s, one.end_s] = [whole(drag.was.start_s + by), whole(drag.was.end_s + by)];
    }
    events = events.map((other, i) => (i === chosen ? one : other));
    keep();
    draw();
  }

  function drop(event) {
    if (drag === null) return;
    if (event.type === "pointercancel" && drag.moved) undo(); // the finger scrolls the page
    else if (!drag.moved && drag.how === "new") chosen = null;
    drag = null;
    draw();
  }

  // -- the form ------------------------------------------------------------------------------

  function edit(part) {
    if (chosen === null) return;
    change(() => {
      events = events.map((one, i) => (i === chosen ? { ...one, ...part(one) } : one));
    });
  }

  function remove() {
    if (chosen === null) return;
    change(() => {
      events = events.filter((_, i) => i !== chosen);
      chosen = null;
    });
  }

  function add() {
    const middle = about.start_s + 0.5 * (view.start + view.end);
    const half = 0.05 * (view.end - view.start);
    change(() => {
      events = [...events, { kind: "wheel_spin", wheel: about.wheels[0],
        start_s: inside(middle - half), end_s: inside(middle + half) }];
      chosen = events.length - 1;
    });
  }

  function number(id, key) {
    element(id).addEventListener("change", () => {
      const value = element(id).valueAsNumber;
      if (Number.isFinite(value)) edit(() => ({ [key]: whole(about.start_s + value) }));
      else draw();
    });
  }

  function options(id, values, words) {
    element(id).replaceChildren(...values.map((value) => new Option(words(value), value)));
  }

  options("label-kind", about.kinds, (kind) => kind.replaceAll("_", " "));
  options("label-wheel", ["", ...about.wheels], (wheel) => wheel || "whole rover");
  element("label-kind").addEventListener("change", () => edit((one) => {
    const kind = element("label-kind").value;
    const needs = about.one_wheel.includes(kind);
    return { kind, wheel: needs ? one.wheel || about.wheels[0] : kind === "rolling" ? null : one.wheel };
  }));
  element("label-wheel").addEventListener("change",
    () => edit(() => ({ wheel: element("label-wheel").value || null })));
  element("label-slight").addEventListener("change",
    () => edit(() => ({ slight: element("label-slight").checked || undefined })));
  number("label-start", "start_s");
  number("label-end", "end_s");
  element("label-new").addEventListener("click", add);
  element("label-delete").addEventListener("click", remove);
  element("label-undo").addEventListener("click", undo);
  element("label-discard").addEventListener("click", discard);
  element("label-save").addEventListener("click", save);
  element("label-confirmed").addEventListener("change", () => change(() => {
    confirmed = element("label-confirmed").checked;
  }));
  element("lanes").addEventListener("pointerdown", press);
  element("lanes").addEventListener("pointermove", pull);
  element("lanes").addEventListener("pointerup", drop);
  element("lanes").addEventListener("pointercancel", drop);
  element("lanes").addEventListener("click", (event) => { // by keyboard: Enter on a label
    const button = event.target.closest(".label-one");
    if (button === null || event.detail !== 0) return;
    chosen = Number(button.dataset.number);
    draw();
  });
  element("lanes").addEventListener("keydown", (event) => {
    if (event.key !== "Delete" && event.key !== "Backspace") return;
    chosen = Number(event.target.dataset.number);
    remove();
  });
  document.addEventListener("view", (event) => {
    view = event.detail;
    draw();
  });
  addEventListener("beforeunload", (event) => {
    if (unsaved && !kept) event.preventDefault();
  });
  restore();

  return { events: () => events };
})();
