// Draws the strip of events: rows of marks over time, moved and zoomed at once in the browser,
// while the server sends finer marks for what comes into view.
window.dash_clientside = window.dash_clientside || {};
(function () {
  const RIGHT = 8, AXIS = 28, LEAST = 1000, SETTLE = 160, KEY_STEP = 0.25;
  const WHOLE = 8, OPEN_END = 16;
  const NS = "http://www.w3.org/2000/svg";
  let shown = null;  // what the server sent last
  let views = [];  // for each panel { begin, wide } as it is seen now, in milliseconds
  let timer = 0, frame = 0;
  let GUTTER = 136;  // for the names of rows; less of it on a phone

  function node(name, attributes, parent, text) {
    const made = document.createElementNS(NS, name);
    for (const key in attributes) made.setAttribute(key, attributes[key]);
    if (text !== undefined) made.textContent = text;
    if (parent) parent.appendChild(made);
    return made;
  }

  const place = () => document.getElementById("strip-drawn");
  const words = (text, values) => window.dash_clientside.page.told(text, values);
  const day = (ms, zone) => new Date(ms).toLocaleDateString(shown.lang === "en" ? "sv-SE" : shown.lang,
    { timeZone: zone, year: "numeric", month: "2-digit", day: "2-digit" });
  const time = (ms, zone) => new Date(ms).toLocaleTimeString("sv-SE", { timeZone: zone })
    + (ms % 1000 ? "." + String(Math.round(ms % 1000)).padStart(3, "0") : "");
  const clock = (ms, zone) => `${day(ms, zone)} ${time(ms, zone)}`;

  // Everything of a panel for one view; a path a lane, so that thousands of marks are few nodes.
  function picture(panel, view, width) {
    const high = shown.rows.reduce((sum, row) => sum + row.high, 0) + AXIS;
    const inner = Math.max(width - GUTTER - RIGHT, 40);
    const scale = inner / view.wide, left = GUTTER, right = GUTTER + inner;
    const x = (ms) => left + (panel.lo + ms - view.begin) * scale;
    const svg = node("svg", { width, height: high, viewBox: `0 0 ${width} ${high}`, "aria-hidden": "true" });
    hatches(svg);
    const inside = node("g", { "clip-path": `url(#clip-${panel.parameter})` });
    const clip = node("clipPath", { id: `clip-${panel.parameter}` }, svg);
    node("rect", { x: left, y: 0, width: inner, height: high }, clip);
    axis(panel, svg, x, left, right, high);
    for (const [from, to] of panel.gaps)
      node("rect", { class: "gap", x: x(from), y: AXIS, width: Math.max(x(to) - x(from), 1), height: high - AXIS }, inside);
    let y = AXIS;
    for (const row of shown.rows) {
      node("text", { class: "row", x: GUTTER - 8, y: y + row.high / 2 + 5, "text-anchor": "end" }, svg, short(row.name));
      node("line", { class: "rule", x1: 0, x2: right, y1: y, y2: y }, svg);
      if (row.who) incidents(panel, row, y, inside, x, left, right);
      for (const lane of row.lanes) marks(panel, lane, y, inside, x, left, right);
      y += row.high;
    }
    svg.appendChild(inside);
    return svg;
  }

  const short = (text) => (text.length > GUTTER / 8 ? text.slice(0, GUTTER / 8 - 1) + "…" : text);

  function hatches(svg) {
    const defs = node("defs", {}, svg);
    for (const [id, turn] of [["hatch", 45], ["void", 135]]) {
      const made = node("pattern", { id, width: 6, height: 6, patternUnits: "userSpaceOnUse", patternTransform: `rotate(${turn})` }, defs);
      node("line", { class: id, x1: 0, y1: 0, x2: 0, y2: 6 }, made);
    }
  }

  function axis(panel, svg, x, left, right, high) {
    let free = -Infinity;
    for (const [ms, said] of panel.ticks) {
      const at = x(ms);
      if (at < left || at > right) continue;
      node("line", { class: "tick", x1: at, x2: at, y1: AXIS - 6, y2: high }, svg);
      if (at < free || at + said.length * 8 > right + RIGHT) continue;
      node("text", { class: "axis", x: at + 3, y: AXIS - 10 }, svg, said);
      free = at + said.length * 9 + 8;
    }
  }

  function marks(panel, lane, y, inside, x, left, right) {
    const flat = panel.marks[lane.lane];
    if (!flat) return;
    const top = y + lane.top, base = top + lane.high;
    const many = flat.length > 8000;
    let solid = "", hollow = "", last = -1;
    for (let i = 0; i < flat.length; i += 4) {
      let from = x(flat[i]), to = x(flat[i + 1]);
      if (to < left || from > right) continue;
      if (to - from < 1.5) to = from + 1.5;
      const code = flat[i + 3], level = code & 7;
      const high = code & WHOLE ? lane.high : (lane.high * (1 + level)) / 5;
      if (many && to < last + 0.5 && !(code & OPEN_END)) continue;  // less than half a pixel more
      last = to;
      const d = `M${from.toFixed(1)} ${(base - high).toFixed(1)}H${to.toFixed(1)}V${base}H${from.toFixed(1)}Z`;
      if (code & OPEN_END) hollow += d; else solid += d;
    }
    const kind = (lane.trouble ? "trouble " : "use ") + lane.signal;
    if (solid) node("path", { class: `mark ${kind}`, d: solid }, inside);
    if (hollow) node("path", { class: `mark open-end ${kind}`, d: hollow }, inside);
  }

  // Every incident is drawn, whatever the zoom; the chosen one last, so that nothing covers it.
  function incidents(panel, row, y, inside, x, left, right) {
    const mid = y + row.high / 2;
    const mine = panel.incidents.filter((one) => one[4] === row.who);
    mine.sort((a, b) => (a[2] === shown.chosen) - (b[2] === shown.chosen));
    let bars = "", shapes = "";
    for (const one of mine) {
      const from = Math.max(x(one[0]), left), to = Math.min(Math.max(x(one[1]), from + 1), right);
      if (x(one[1]) < left - 6 || x(one[0]) > right + 6) continue;
      const bar = `M${from.toFixed(1)} ${mid - 2}H${to.toFixed(1)}V${mid + 2}H${from.toFixed(1)}Z`;
      const sign = SIGNS[row.who](Math.min(from, right - 1), mid);
      if (one[2] === shown.chosen) {
        node("path", { class: "incident chosen", d: bar + sign, "data-incident": one[2] }, inside);
      } else { bars += bar; shapes += sign; }
    }
    if (bars) node("path", { class: `incident ${row.who}`, d: bars + shapes }, inside);
  }

  const SIGNS = {
    manager: (x, y) => `M${x - 6} ${y}L${x} ${y - 6}L${x + 6} ${y}L${x} ${y + 6}Z`,
    technician: (x, y) => `M${x - 6} ${y + 5}L${x} ${y - 6}L${x + 6} ${y + 5}Z`,
    coordinator: (x, y) => `M${x - 5} ${y - 5}H${x + 5}V${y + 5}H${x - 5}Z`,
  };

  // What lies under a point, in words.
  function told(panel, view, width, px, py) {
    const inner = width - GUTTER - RIGHT, ms = view.begin + ((px - GUTTER) / inner) * view.wide;
    const near = (6 / inner) * view.wide, rel = ms - panel.lo;
    let y = AXIS, found = null;
    for (const row of shown.rows) {
      if (py >= y && py < y + row.high) { found = row; break; }
      y += row.high;
    }
    const when = clock(Math.round(ms), shown.zone);
    if (!found || px < GUTTER) return { said: "", when };
    if (found.who) {
      const hit = panel.incidents.filter((one) => one[4] === found.who && one[0] - near <= rel && one[1] + near >= rel);
      hit.sort((a, b) => Math.abs(a[0] - rel) - Math.abs(b[0] - rel));
      if (!hit.length) return { said: when, when };
      const values = { incident: hit[0][3], time: clock(panel.lo + hit[0][0], shown.zone), n: hit.length - 1 };
      const said = hit.length > 1 ? "{incident}, from {time} (and {n} more here)" : "{incident}, from {time}";
      return { said: words(said, values), incident: hit[0][2], when };
    }
    const parts = [];
    for (const lane of found.lanes) {
      const flat = panel.marks[lane.lane] || [];
      for (let i = 0; i < flat.length; i += 4) {
        if (flat[i] - near / 2 > rel || flat[i + 1] + near / 2 < rel) continue;
        const values = {
          what: lane.said, n: flat[i + 2], from: clock(panel.lo + flat[i], shown.zone),
          to: time(panel.lo + flat[i + 1], shown.zone),
        };
        const one = flat[i + 1] > flat[i] ? "{what} {from} to {to}" : "{what} {from}";
        const span = words(flat[i + 3] & WHOLE ? one : "{what}: {n} from {from} to {to}", values);
        const cut = flat[i + 3] & WHOLE && flat[i + 3] & OPEN_END;
        parts.push(cut ? words("{span}, an end not seen", { span }) : span);
        break;
      }
    }
    return { said: `${found.name}: ${parts.length ? parts.join("; ") : when}`, when };
  }

  function paint() {
    frame = 0;
    const root = place();
    if (!root || !shown) return;
    const start = performance.now();
    shown.panels.forEach((panel, i) => {
      const box = root.children[i].querySelector(".strip-picture");
      GUTTER = box.clientWidth < 480 ? 100 : 136;
      box.replaceChildren(picture(panel, views[i], box.clientWidth));
    });
    root.dataset.ms = (performance.now() - start).toFixed(1);
  }
  const soon = () => { if (!frame) frame = requestAnimationFrame(paint); };

  // Writes what is seen into the address; the page follows the address as from any link.
  function settle(push) {
    clearTimeout(timer);
    timer = setTimeout(() => {
      const query = new URLSearchParams(window.location.search);
      shown.panels.forEach((panel, i) => query.set(panel.parameter, new Date(Math.round(views[i].begin)).toISOString().replace(".000", "")));
      query.set("wide", String(Math.round(views[0].wide) / 1000));
      go(`${window.location.pathname}?${query}`, push);
    }, SETTLE);
  }
  function go(href, push) {
    window.history[push ? "pushState" : "replaceState"]({}, "", href);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
  }

  function move(i, share, push) {
    views[i].begin += share * views[i].wide;
    soon(); settle(push);
  }
  function zoom(i, by, at, push) {  // `at`: the share of the width that stays where it is
    const wide = Math.min(Math.max(views[i].wide * by, LEAST), 2 * (shown.last - shown.first));
    views.forEach((view, j) => {
      view.begin += (j === i ? at : 0.5) * (view.wide - wide);
      view.wide = wide;
    });
    soon(); settle(push);
  }

  function listen(i, box, status) {
    const touches = new Map();
    const share = (event) => {
      const area = box.getBoundingClientRect();
      return { area, at: (event.clientX - area.left - GUTTER) / (area.width - GUTTER - RIGHT) };
    };
    let moved = 0;
    box.addEventListener("pointerdown", (event) => {
      touches.set(event.pointerId, event);
      moved = 0;
      box.setPointerCapture(event.pointerId);
    });
    box.addEventListener("pointermove", (event) => {
      const { area } = share(event);
      const before = touches.get(event.pointerId);
      if (!before) {
        const found = told(shown.panels[i], views[i], box.clientWidth, event.clientX - area.left, event.clientY - area.top);
        if (found.said) status.textContent = found.said;
        return;
      }
      const inner = area.width - GUTTER - RIGHT;
      if (touches.size === 2) {
        const [a, b] = [...touches.values()];
        const gap = Math.abs(a.clientX - b.clientX);
        touches.set(event.pointerId, event);
        const [c, d] = [...touches.values()];
        const now = Math.abs(c.clientX - d.clientX);
        if (gap > 8 && now > 8) zoom(i, gap / now, share(event).at, false);
        return;
      }
      const dx = event.clientX - before.clientX;
      moved += Math.abs(dx);
      touches.set(event.pointerId, event);
      if (dx) move(i, -dx / inner, false);
    });
    const ends = (event) => {
      const { area } = share(event);
      if (touches.delete(event.pointerId) && moved < 4 && event.type === "pointerup") {
        const found = told(shown.panels[i], views[i], box.clientWidth, event.clientX - area.left, event.clientY - area.top);
        if (found.said) status.textContent = found.said;
        if (found.incident) choose(found.incident);
      }
    };
    for (const name of ["pointerup", "pointercancel"]) box.addEventListener(name, ends);
    box.addEventListener("dblclick", (event) => zoom(i, 1 / 3, share(event).at, true));
    box.addEventListener("wheel", (event) => {
      if (!event.ctrlKey) return;  // the wheel alone moves the page
      event.preventDefault();
      zoom(i, event.deltaY > 0 ? 1.25 : 0.8, share(event).at, false);
    }, { passive: false });
    box.addEventListener("keydown", (event) => {
      const act = {
        ArrowLeft: () => move(i, -KEY_STEP, false), ArrowRight: () => move(i, KEY_STEP, false),
        "+": () => zoom(i, 0.5, 0.5, true), "-": () => zoom(i, 2, 0.5, true),
        Home: () => follow("step-whole-log"), n: () => follow("step-next-incident"), p: () => follow("step-previous-incident"),
      }[event.key.length === 1 ? event.key.toLowerCase() : event.key];
      if (!act || event.ctrlKey || event.altKey || event.metaKey) return;
      event.preventDefault();
      act();
    });
  }
  function follow(id) {
    const link = document.getElementById(id);
    if (link) go(link.getAttribute("href").startsWith("?") ? window.location.pathname + link.getAttribute("href") : link.href, true);
  }
  function choose(incident) {
    const query = new URLSearchParams(window.location.search);
    query.set("incident", incident);
    shown.panels.forEach((panel, i) => query.set(panel.parameter, new Date(Math.round(views[i].begin)).toISOString().replace(".000", "")));
    query.set("wide", String(Math.round(views[0].wide) / 1000));
    go(`${window.location.pathname}?${query}`, true);
  }

  function build(root) {
    root.replaceChildren();
    root.className = shown.panels.length > 1 ? "panels two" : "panels";
    shown.panels.forEach((panel, i) => {
      const holder = document.createElement("div");
      const box = document.createElement("div");
      box.className = "strip-picture";
      box.tabIndex = 0;
      box.setAttribute("role", "application");
      box.setAttribute("aria-label", words(i ? "Second stretch of time" : "Strip of events: arrows move, plus and minus zoom, N and P step through incidents"));
      const status = document.createElement("p");
      status.className = "strip-told";
      status.setAttribute("aria-live", "polite");
      status.textContent = words("Point at a mark to read what it is.");
      const title = document.createElement("p");
      title.className = "strip-title";
      holder.append(title, box, status);
      root.append(holder);
      listen(i, box, status);
    });
    new ResizeObserver(soon).observe(root);
  }

  window.dash_clientside.strip = {
    draw(data) {
      const root = place();
      if (!data || !root) return window.dash_clientside.no_update;
      const built = shown && root.children.length === data.panels.length;
      shown = data;
      views = data.panels.map((panel) => ({ begin: panel.begin, wide: panel.wide }));
      if (!built) build(root);
      data.panels.forEach((panel, i) => { root.children[i].querySelector(".strip-title").textContent = panel.title; });
      paint();
      return data.panels.length;
    },
  };
})();
