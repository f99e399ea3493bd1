// What only the browser knows or can do: light or dark, the title, the keys of the grid.
window.dash_clientside = window.dash_clientside || {};
(function () {
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const name = () => (dark.matches ? "dark" : "light");
  dark.addEventListener("change", () => window.dash_clientside.set_props("scheme", { data: name() }));
  window.dash_clientside.page = {
    scheme: () => name(),
    title: (title) => { if (title) document.title = title; },
  };
  const grid = (window.dashAgGridFunctions = window.dashAgGridFunctions || {});
  // Enter chooses a row, as the space bar does.
  grid.chooseOnEnter = (params) => {
    if (params.event && params.event.key === "Enter") params.node.setSelected(true, true);
  };
})();
