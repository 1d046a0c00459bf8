// Draws the trend of one register; the same numbers stand in the table below it.
"use strict";
(async function () {
  const place = document.getElementById("charts");
  const buttons = document.getElementById("zoom");
  const answer = await fetch(place.dataset.points);
  if (!answer.ok) { place.textContent = "The chart could not be drawn; the table below has the same readings."; return; }
  const shown = await answer.json();
  if (!shown.parts.length) return;
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const xs = shown.parts.map((_, i) => i);
  const last = xs.length - 1;
  let charts = [];
  let syncing = false;

  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

  function limitsOf(feature) {
    const known = [...feature.readings, ...feature.wild, feature.lower, feature.upper].filter((v) => v !== null);
    const reach = 3 * (feature.upper - feature.lower); // one wild reading must not flatten everything else
    const low = Math.max(Math.min(...known), feature.target - reach);
    const high = Math.min(Math.max(...known), feature.target + reach);
    const margin = 0.08 * (high - low);
    return [low - margin, high + margin];
  }

  function backdrop(feature, ink) {
    return function (chart) {
      const { ctx, bbox } = chart;
      const y = (value) => chart.valToPos(value, "y", true);
      const x = (value) => chart.valToPos(value, "x", true);
      ctx.save();
      ctx.beginPath();
      ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
      ctx.clip();
      ctx.strokeStyle = ctx.fillStyle = ink;
      ctx.globalAlpha = 0.13;
      const top = y(feature.target + feature.band);
      ctx.fillRect(bbox.left, top, bbox.width, y(feature.target - feature.band) - top);
      ctx.globalAlpha = 1;
      const rule = function (value, dash) {
        ctx.setLineDash(dash);
        ctx.beginPath();
        ctx.moveTo(bbox.left, y(value));
        ctx.lineTo(bbox.left + bbox.width, y(value));
        ctx.stroke();
      };
      ctx.lineWidth = 2;
      rule(feature.lower, [12, 5]);
      rule(feature.upper, [12, 5]);
      ctx.lineWidth = 1;
      rule(feature.target, [2, 5]);
      if (feature.guard) {
        rule(feature.lower + feature.guard, [4, 4]);
        rule(feature.upper - feature.guard, [4, 4]);
      }
      ctx.setLineDash([1, 3]);
      ctx.font = 13 * devicePixelRatio + "px sans-serif";
      ctx.textAlign = "left";
      ctx.textBaseline = "alphabetic";
      for (const mark of shown.marks) {
        const at = x(mark.at - 0.5);
        ctx.beginPath();
        ctx.moveTo(at, bbox.top);
        ctx.lineTo(at, bbox.top + bbox.height);
        ctx.stroke();
        ctx.save();
        ctx.translate(at - 4, bbox.top + bbox.height - 6);
        ctx.rotate(-Math.PI / 2);
        ctx.fillText(mark.words.slice(0, 40), 0, 0);
        ctx.restore();
      }
      ctx.restore();
    };
  }

  function crosses(ink) {
    return function (chart, series) {
      const { ctx } = chart;
      ctx.save();
      ctx.strokeStyle = ink;
      ctx.lineWidth = 2;
      chart.data[series].forEach(function (value, i) {
        if (value === null || value === undefined) return;
        const x = chart.valToPos(chart.data[0][i], "x", true);
        const y = chart.valToPos(value, "y", true);
        ctx.beginPath();
        ctx.moveTo(x - 6, y - 6); ctx.lineTo(x + 6, y + 6);
        ctx.moveTo(x - 6, y + 6); ctx.lineTo(x + 6, y - 6);
        ctx.stroke();
      });
      ctx.restore();
      return false;
    };
  }

  function say(feature, words) {
    return function (chart) {
      const i = chart.cursor.idx;
      if (i === null || i === undefined) { words.textContent = ""; return; }
      const reading = feature.readings[i] !== null ? feature.readings[i] : feature.wild[i];
      const told = (value) => value.toFixed(feature.places);
      const pieces = ["part " + shown.parts[i], shown.times[i]];
      if (reading !== null) pieces.push(told(reading) + " " + feature.unit + (feature.wild[i] !== null ? ", not believed" : ""));
      if (feature.level[i] !== null) pieces.push("level " + told(feature.level[i]) + " (" + told(feature.low[i]) + " to " + told(feature.high[i]) + ")");
      if (shown.doubts[i]) pieces.push(shown.doubts[i]);
      words.textContent = pieces.join("; ");
    };
  }

  function follow(chart) { // all features show the same parts
    if (syncing) return;
    syncing = true;
    const { min, max } = chart.scales.x;
    for (const other of charts) if (other !== chart) other.setScale("x", { min, max });
    syncing = false;
  }

  function draw() {
    const ink = css("--ink"), line = css("--link"), hair = css("--hair");
    const range = charts.length ? charts[0].scales.x : null;
    const [from, to] = range ? [range.min, range.max] : [-1, last + 1];
    charts = [];
    place.replaceChildren();
    for (const feature of shown.features) {
      const block = document.createElement("div");
      block.className = "chart";
      const title = document.createElement("h3");
      title.textContent = feature.title + ", deviation (" + feature.unit + ")";
      const canvas = document.createElement("div");
      canvas.setAttribute("role", "img");
      canvas.setAttribute("aria-label", "Chart of " + feature.title + "; the table below has the same readings");
      const words = document.createElement("p");
      words.className = "said";
      block.append(title, canvas, words);
      place.append(block);
      const axis = { stroke: ink, grid: { stroke: hair, width: 0.5 }, ticks: { stroke: hair }, font: "14px sans-serif" };
      charts.push(new uPlot({
        width: place.clientWidth,
        height: 280,
        legend: { show: false },
        cursor: { drag: { x: true, y: false }, points: { show: false } },
        scales: { x: { time: false, min: from, max: to }, y: { range: limitsOf(feature) } },
        axes: [
          { ...axis, values: (_, at) => at.map((i) => (Number.isInteger(i) && shown.parts[i] !== undefined ? shown.parts[i] : "")) },
          { ...axis, size: 72, values: (_, at) => at.map((value) => String(+value.toFixed(6))) },
        ],
        series: [
          {},
          { stroke: line, width: 2.5, points: { show: false }, spanGaps: true },
          { stroke: line, width: 0, points: { show: false }, spanGaps: true },
          { stroke: line, width: 0, points: { show: false }, spanGaps: true },
          { stroke: ink, width: 0, paths: () => null, points: { show: true, size: 7, fill: ink } },
          { stroke: ink, paths: () => null, points: { show: crosses(ink) } },
        ],
        bands: [{ series: [3, 2], fill: line + "26" }],
        hooks: { drawClear: [backdrop(feature, ink)], setCursor: [say(feature, words)], setScale: [follow] },
      }, [xs, feature.level, feature.low, feature.high, feature.readings, feature.wild], canvas));
    }
  }

  function move(how) {
    const { min, max } = charts[0].scales.x;
    const width = max - min, middle = (max + min) / 2;
    const wanted = {
      in: [middle - width / 4, middle + width / 4],
      out: [middle - width, middle + width],
      left: [min - width / 2, max - width / 2],
      right: [min + width / 2, max + width / 2],
      all: [-1, last + 1],
    }[how];
    const span = Math.min(Math.max(wanted[1] - wanted[0], 4), last + 2);
    const from = Math.min(Math.max((wanted[0] + wanted[1] - span) / 2, -1), last + 1 - span);
    charts[0].setScale("x", { min: from, max: from + span });
  }

  draw();
  buttons.hidden = false;
  buttons.addEventListener("click", function (event) { if (event.target.value) move(event.target.value); });
  dark.addEventListener("change", draw);
  let due = 0;
  window.addEventListener("resize", function () {
    clearTimeout(due);
    due = setTimeout(function () { for (const chart of charts) chart.setSize({ width: place.clientWidth, height: 280 }); }, 150);
  });
})();
