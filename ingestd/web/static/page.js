// Live news, a theme switch, printing. Everything else works without this script.
"use strict";
(() => {
  const root = document.documentElement;
  const kept = (() => { try { return localStorage.getItem("theme"); } catch { return null; } })();
  if (kept === "dark" || kept === "light") root.dataset.theme = kept;

  document.addEventListener("DOMContentLoaded", () => {
    const theme = document.getElementById("theme");
    if (theme) {
      theme.hidden = false;
      theme.addEventListener("click", () => {
        const dark = root.dataset.theme ? root.dataset.theme === "dark"
          : matchMedia("(prefers-color-scheme: dark)").matches;
        root.dataset.theme = dark ? "light" : "dark";
        try { localStorage.setItem("theme", root.dataset.theme); } catch { /* kept for this page only */ }
        document.dispatchEvent(new CustomEvent("ingestd:redraw"));
      });
    }
    for (const button of document.querySelectorAll('[data-do="print"]')) {
      button.hidden = false;
      button.addEventListener("click", () => print());
    }
    label(document);
    // By hand: scrollIntoView would also move where the Tab key begins.
    const here = document.querySelector(".ways [aria-current]"), ways = here?.closest("ul");
    if (ways) ways.scrollLeft = here.offsetLeft - (ways.clientWidth - here.offsetWidth) / 2;
    if (document.body.dataset.address) listen();
  });

  // On a narrow screen each row becomes a card; the heads of the columns go with their cells.
  function label(root) {
    for (const table of root.querySelectorAll(".wide table")) {
      const heads = [...table.querySelectorAll("thead th")].map((one) => one.textContent.trim());
      if (!heads.length || table.classList.contains("grid")) continue;
      table.classList.add("cards");
      table.setAttribute("role", "table");
      for (const row of table.querySelectorAll("tr")) {
        row.setAttribute("role", "row");
        [...row.children].forEach((cell, index) => {
          cell.setAttribute("role", cell.tagName === "TD" ? "cell" : cell.scope === "row" ? "rowheader" : "columnheader");
          if (!cell.closest("tbody")) return;
          cell.dataset.head = heads[index] || "";
          const box = root.createElement("div");
          box.append(...cell.childNodes);
          cell.append(box);
        });
      }
      for (const part of table.querySelectorAll("thead, tbody")) part.setAttribute("role", "rowgroup");
    }
  }

  function listen() {
    const pulse = document.getElementById("pulse");
    const say = (state, word) => {
      pulse.dataset.state = state;
      pulse.querySelector(".pulse-word").textContent = word;
    };
    const stream = new EventSource("/live");
    stream.addEventListener("open", () => { say("on", "live"); if (missed) renew(); });
    stream.addEventListener("error", () => { say("off", "not live"); missed = true; });
    stream.addEventListener("signed-out", () => { say("off", "signed out"); stream.close(); });
    stream.addEventListener("news", (event) => {
      const news = JSON.parse(event.data);
      const badge = document.getElementById("badge");
      if (badge && badge.childNodes.length > 2) {
        badge.childNodes[1].textContent = news.waiting;
        badge.classList.toggle("none", news.waiting === "0");
      }
      const run = document.querySelector("[data-about-run]")?.dataset.aboutRun;
      if (run === undefined || !news.runs.length || news.runs.includes(run)) renew();
    });
    addEventListener("pagehide", () => stream.close());
  }

  // At most one request at a time, and a pause in proportion to what the last one cost, long where
  // the server is slow, so that many pages never weigh on it more than it bears.
  let missed = false, busy = false, again = false;
  async function renew() {
    if (!document.querySelector("main [data-live]")) return;
    if ("answer" in document.body.dataset) return; // the answer to a form stays as it was given
    if (busy) { again = true; return; }
    busy = true; again = false; missed = false;
    const begun = performance.now();
    try {
      const answer = await fetch(document.body.dataset.address, { headers: { "X-Ingestd-Live": "1" } });
      if (answer.ok && !answer.redirected) {
        const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
        label(fresh);
        swap(document, fresh);
        document.dispatchEvent(new CustomEvent("ingestd:renewed"));
      }
    } catch { missed = true; }
    const took = performance.now() - begun;
    const pause = Math.min(Math.max(took < 150 ? 2 * took : 8 * took, 60), 5000);
    setTimeout(() => { busy = false; if (again) renew(); }, pause);
  }

  // Put new parts in place of old ones by name; what a person is using is left alone.
  function swap(old, fresh) {
    const main = old.querySelector("main"), now = fresh.querySelector("main");
    if (!main || !now) return;
    const names = new Set();
    for (const part of [...main.querySelectorAll("[data-live]")]) {
      if (!part.isConnected) continue;
      const name = part.dataset.live;
      names.add(name);
      const next = now.querySelector(`[data-live="${CSS.escape(name)}"]`);
      if (!next || next.isEqualNode(part)) continue;
      const inner = part.querySelector("[data-live]");
      const sameShape = inner && shape(part) === shape(next);
      if (sameShape) continue; // its parts are swapped one by one
      if (inUse(part)) continue;
      const opened = [...part.querySelectorAll("details")].map((one) => one.open);
      const copy = old.importNode(next, true);
      copy.querySelectorAll("details").forEach((one, index) => { if (opened[index]) one.open = true; });
      part.replaceWith(copy);
      copy.classList.add("fresh");
      const heading = copy.querySelector("h2, h3");
      const news = old.getElementById("news");
      if (news && heading) news.textContent = `Changed: ${heading.textContent.trim()}`;
    }
  }
  const shape = (part) => [...part.querySelectorAll("[data-live]")].map((one) => one.dataset.live).join("\n");
  function inUse(part) {
    const active = document.activeElement;
    if (active && active !== document.body && part.contains(active)) {
      if (active.matches("input, select, textarea")) return true;
      const href = active.getAttribute("href");
      if (href) queueMicrotask(() => {
        const same = [...document.querySelectorAll("main a[href]")].find((one) => one.getAttribute("href") === href);
        if (same && document.activeElement === document.body) same.focus({ preventScroll: true });
      });
    }
    return [...part.querySelectorAll("input:not([type=hidden]), textarea")].some(
      (one) => (one.type === "checkbox" ? one.checked !== one.defaultChecked : one.value !== one.defaultValue));
  }
})();
