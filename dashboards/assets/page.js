// What only the browser knows or can do: light or dark, the title, the keys of the grid, marks
// of charts that lead somewhere, tables taken along as CSV.
window.dash_clientside = window.dash_clientside || {};
(function () {
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const name = () => (dark.matches ? "dark" : "light");
  dark.addEventListener("change", () => window.dash_clientside.set_props("scheme", { data: name() }));
  window.dash_clientside.page = {
    scheme: () => name(),
    title: (title) => { if (title) document.title = title; },
    language: (told) => {
      if (!told) return;
      document.documentElement.lang = told.lang;
      words = told.words;
    },
    told,
    fields,
    choose_from: (value) => choose({ from: value }, ["incident", "suspect"]),
    choose_to: (value) => choose({ to: value }, ["incident", "suspect"]),
    choose_floors_wanted: (value) => choose({ floor: (value || "").split(",").map((one) => one.trim()).filter(Boolean).join(",") }, []),
    choose_clearing: (value) => choose({ clearing: value }, []),
  };

  // A message in the page's language, its braces filled in.
  let words = {};
  function told(text, values = {}) {
    return (words[text] || text).replace(/\{(\w+)\}/g, (_, name) => values[name] ?? "");
  }

  // A field writes itself into the address, at once; what depended on the old choice goes.
  const unchanged = () => window.dash_clientside.no_update;
  function choose(values, gone) {
    const query = new URLSearchParams(window.location.search);
    const [[key, value]] = Object.entries(values), now = (value || "").trim();
    if ((query.get(key) || "") === now) return unchanged();
    if (now) query.set(key, now); else query.delete(key);
    for (const name of gone) query.delete(name);
    return `?${query}`.replace(/^\?$/, "");
  }
  // The fields follow the address, but never while somebody types in one.
  const FIELDS = { from: "from", to: "to", "floors-wanted": "floor", clearing: "clearing" };
  const typing = new Set();
  document.addEventListener("input", (event) => { if (event.target.id in FIELDS) typing.add(event.target.id); });
  document.addEventListener("change", (event) => typing.delete(event.target.id));
  document.addEventListener("focusout", (event) => typing.delete(event.target.id));
  function fields() {
    const query = new URLSearchParams(window.location.search);
    for (const [id, key] of Object.entries(FIELDS)) {
      const field = document.getElementById(id), now = query.get(key) || "";
      if (field && !typing.has(id) && field.value !== now) window.dash_clientside.set_props(id, { value: now });
    }
    return unchanged();
  }
  const grid = (window.dashAgGridFunctions = window.dashAgGridFunctions || {});
  // Enter chooses a row, as the space bar does.
  grid.chooseOnEnter = (params) => {
    if (params.event && params.event.key === "Enter") params.node.setSelected(true, true);
  };

  // Times and lengths are sorted by what they are, not by how they are written.
  const by = (key) => (a, b, one, two) => (one.data[key] < two.data[key] ? -1 : one.data[key] > two.data[key] ? 1 : 0);
  grid.byBegin = by("order");
  grid.byLength = by("seconds");

  // The server may be restarted while somebody looks: what the page asks waits until it answers
  // again, and a notice says so. Text of the server is shown as text.
  const ask = window.fetch.bind(window);
  const AWAY = "The dashboard cannot be reached. The page goes on by itself when it is back.";
  const OUT = "You are signed out. ";
  let back = null;
  const notice = (text, link) => {
    let said = document.getElementById("away");
    if (!said) {
      said = document.createElement("p");
      said.id = "away";
      said.className = "away";
      said.setAttribute("role", "alert");
      document.body.append(said);
    }
    said.replaceChildren(text, ...(link ? [link] : []));
    said.hidden = !text;
  };
  const signIn = () => {
    const link = document.createElement("a");
    link.href = "/sign-in?next=" + encodeURIComponent(location.pathname + location.search);
    link.textContent = told("Sign in again");
    return link;
  };
  const untilBack = async () => {
    notice(told(AWAY));
    for (let pause = 500; ; pause = Math.min(2 * pause, 8000)) {
      await new Promise((go) => setTimeout(go, pause * (0.75 + 0.5 * Math.random())));
      const answer = await ask("/alive", { cache: "no-store" }).catch(() => null);
      if (answer && answer.ok) break;
    }
    notice("");
    back = null;
  };
  window.fetch = async (what, how) => {
    if (!String(what).includes("/_dash-update-component")) return ask(what, how);
    for (;;) {
      const answer = await ask(what, how).catch((error) => {
        if (error.name === "AbortError") throw error;
        return null;
      });
      if (answer && answer.status === 401) notice(told(OUT), signIn());
      else if (answer && [403, 413, 429].includes(answer.status)) notice(await answer.clone().text());
      if (answer && ![502, 503, 504].includes(answer.status)) return answer;
      await (back = back || untilBack());
    }
  };

  // A mark of a chart leads to what it counts: the trace names the address, the mark fills it in.
  function follow(event) {
    const point = event.points[0], meta = point.data.meta || {};
    if (!meta.door) return;
    const row = (meta.rows || [])[point.y], chutes = meta.chutes || [];
    const x = String(point.x).slice(0, 10), day = new Date(`${x}T12:00:00Z`);
    const last = isNaN(day) ? "" : new Date(+day + 6 * 86400000).toISOString().slice(0, 10);
    const values = { row, chute: chutes[point.y] || chutes[0], x, last };  // the last day of a week
    const href = meta.door.replace(/\{(\w+)\}/g, (_, name) => encodeURIComponent(values[name] ?? ""));
    if (href.startsWith("#")) return document.querySelector(href)?.scrollIntoView();
    window.history.pushState({}, "", href);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
    window.scrollTo(0, 0);
  }
  new MutationObserver(() => {
    for (const chart of document.querySelectorAll(".js-plotly-plot:not([data-door])")) {
      if (!chart.on) continue;
      chart.dataset.door = "";
      chart.on("plotly_click", follow);
    }
    // A field for files comes without a name of its own; the button around it has one.
    for (const field of document.querySelectorAll("input[type=file]:not([aria-label])"))
      field.setAttribute("aria-label", field.parentElement.innerText.trim() || told("A file"));
  }).observe(document.documentElement, { childList: true, subtree: true });

  // A cell's words; one that a spreadsheet would take for a formula is marked as text.
  function plain(cell) {
    const copy = cell.cloneNode(true);
    for (const hidden of copy.querySelectorAll("[aria-hidden=true]")) hidden.remove();
    const text = copy.textContent.trim();
    return /^[=+@\t\r]|^-(?![\d.,]+$)/.test(text) ? `'${text}` : text;
  }

  // Every table can be taken along: what it shows, as RFC 4180 writes it.
  document.addEventListener("click", (event) => {
    const button = event.target.closest?.("button.take");
    if (!button) return;
    if (button.dataset.grid) return window.dash_ag_grid.getApi(button.dataset.grid).exportDataAsCsv();
    const quoted = (cell) => `"${plain(cell).replace(/"/g, '""')}"`;
    const rows = [...button.closest(".taken").querySelectorAll("tr")];
    const text = rows.map((row) => [...row.cells].map(quoted).join(",")).join("\r\n") + "\r\n";
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob(["\ufeff", text], { type: "text/csv" }));
    link.download = `${button.dataset.name || "table"}.csv`;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  });
})();
