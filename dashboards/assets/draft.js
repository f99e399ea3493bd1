// The form of a drafted profile: each choice is sent to the server, which answers with the form
// and the preview as they are with it. And the profile's text, to take along or to copy.
(function () {
  let sent = 0;
  function tell(place, value) {
    sent += 1;
    window.dash_clientside.set_props("draft-answer", { data: { key: place.dataset.answer, value, sent } });
  }

  document.addEventListener("change", (event) => {
    const place = event.target.closest("[data-answer]");
    if (place && event.target.matches("select, input")) tell(place, event.target.value);
  });

  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.dataset.answer !== undefined) tell(button, button.dataset.value || "");
    const text = () => document.getElementById("draft-text");
    if (button.dataset.profile) {
      const link = document.createElement("a");
      link.href = URL.createObjectURL(new Blob([text().textContent], { type: "text/plain" }));
      link.download = button.dataset.profile;
      link.click();
      URL.revokeObjectURL(link.href);
    }
    if (button.dataset.copy) {
      getSelection().selectAllChildren(text());  // seen, and copied by hand where the browser refuses
      if (navigator.clipboard) navigator.clipboard.writeText(text().textContent).catch(() => {});
    }
  });
})();
