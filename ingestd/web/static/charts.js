// Draws what the page hands over as data; a click on a point opens its run or result.
"use strict";
(() => {
  const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

  const FORMATS = [
    { dtickrange: [null, 864e5 - 1], value: "%H:%M\n%Y-%m-%d" },
    { dtickrange: [864e5, 864e5 * 28 - 1], value: "%m-%d\n%Y" },
    { dtickrange: [864e5 * 28, null], value: "%Y-%m" },
  ];

  function layoutOf(data) {
    return {
      margin: { l: 62, r: 18, t: 12, b: 48 }, showlegend: false, hovermode: "closest",
      paper_bgcolor: "transparent", plot_bgcolor: "transparent",
      font: { family: "system-ui, sans-serif", size: 14, color: ink("--ink") },
      xaxis: { type: "date", nticks: innerWidth < 520 ? 4 : 8, tickangle: 0, tickformatstops: FORMATS, gridcolor: ink("--line"), linecolor: ink("--faint") },
      yaxis: { type: "linear", title: { text: data.unit }, gridcolor: ink("--line"), zerolinecolor: ink("--line"), rangemode: data.kind === "point" ? "tozero" : "normal" },
      dragmode: false,
      shapes: [], annotations: [],
    };
  }
  function line(layout, value, color, dash, word) {
    layout.shapes.push({ type: "line", xref: "paper", x0: 0, x1: 1, y0: value, y1: value, line: { color, width: 2, dash } });
    layout.annotations.push({ xref: "paper", x: 1, xanchor: "right", y: value, yanchor: "bottom", text: word, showarrow: false, font: { size: 12, color } });
  }
  function draw(holder) {
    const data = JSON.parse(document.getElementById(holder.dataset.chart).textContent);
    const layout = layoutOf(data), points = data.points;
    const trace = {
      type: "scatter", mode: "lines+markers", x: points.map((p) => p.at), y: points.map((p) => p.value),
      text: points.map((p) => p.text), hovertemplate: "%{text}<br>%{x}<extra></extra>",
      line: { color: ink("--glass"), width: 1.2 },
    };
    if (data.kind === "point") {
      trace.marker = { size: 11, color: ink("--liquid"), line: { color: ink("--ink"), width: 1.2 },
        symbol: points.map((p) => p.censored === "<" ? "triangle-down-open" : p.censored === ">" ? "triangle-up-open" : "circle") };
      trace.error_y = { type: "data", array: points.map((p) => p.censored ? 0 : Number(p.spread || 0)), color: ink("--faint"), thickness: 1.2, width: 4 };
      if (data.limit !== null) line(layout, data.limit, ink("--no"), "dash", `limit ${data.limit}`);
    } else {
      trace.marker = { size: 11, color: points.map((p) => p.passed ? ink("--liquid") : ink("--no")), line: { color: ink("--ink"), width: 1.2 },
        symbol: points.map((p) => p.passed ? "circle" : "square") };
      const words = { centre: ["--out", "solid", "centre"], warning_low: ["--hold", "dot", "warning"], warning_high: ["--hold", "dot", "warning"], action_low: ["--no", "dash", "action"], action_high: ["--no", "dash", "action"] };
      for (const [name, value] of Object.entries(data.limits)) {
        const [color, dash, word] = words[name];
        line(layout, value, ink(color), dash, `${word}${data.proposed ? ", proposed" : ""} ${value}`);
      }
      const drawn = [...points.map((p) => Number(p.value)), ...Object.values(data.limits).map(Number)];
      const low = Math.min(...drawn), high = Math.max(...drawn), room = (high - low || Math.abs(high) || 1) * 0.12;
      layout.yaxis.range = [low - room, high + room];
    }
    // One moment alone would be drawn to the microsecond: give it a day around it.
    const times = points.map((p) => Date.parse(p.at.replace(" ", "T")));
    if (times.length && Math.max(...times) - Math.min(...times) < 36e5) {
      const day = (ms) => new Date(ms - new Date(ms).getTimezoneOffset() * 6e4).toISOString().slice(0, 19);
      layout.xaxis.range = [day(Math.min(...times) - 432e5), day(Math.max(...times) + 432e5)];
    }
    if (data.kind === "point" && data.limit !== null) {
      const highest = Math.max(Number(data.limit), ...points.map((p) => Number(p.value) + Number(p.spread || 0)));
      layout.yaxis.range = [0, highest * 1.1];
    }
    Plotly.react(holder, [trace], layout, { displayModeBar: false, responsive: true });
    if (!holder.dataset.drawn) {
      holder.dataset.drawn = "yes";
      holder.on("plotly_click", (event) => { location.assign(points[event.points[0].pointIndex].href); });
    }
  }
  const drawAll = () => { for (const holder of document.querySelectorAll("[data-chart]")) draw(holder); };
  addEventListener("DOMContentLoaded", drawAll);
  document.addEventListener("ingestd:renewed", drawAll);
  document.addEventListener("ingestd:redraw", drawAll);
})();
