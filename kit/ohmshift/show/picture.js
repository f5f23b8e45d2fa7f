// Shows a picture in a Bokeh figure, draws over it, and tells the kernel what was clicked and dragged.

/** Tell whether two lists of points are the same. */
function same(one, other) {
  return JSON.stringify([one.x, one.y]) === JSON.stringify([other?.x, other?.y]);
}

async function render({ model, el }) {
  const root = document.createElement("div");
  root.className = "ohmshift-picture";
  root.setAttribute("role", "img");
  el.appendChild(root);
  const speak = () => root.setAttribute("aria-label", model.get("spoken"));
  speak();

  const library = await model.widget_manager.get_model(model.get("library").replace("IPY_MODEL_", ""));
  const bokeh = await load(library.get("script"), library.get("version"));
  let views = [];
  let shown = null; // the document that is drawn
  let building = Promise.resolve();
  let quiet = false; // true while we move points ourselves

  function clear() {
    const documents = new Set(views.map((view) => view.model.document));
    for (const view of views) view.remove();
    for (const old of documents) {
      const place = bokeh.documents.indexOf(old);
      if (place >= 0) bokeh.documents.splice(place, 1);
    }
    views = [];
    root.replaceChildren();
  }

  async function build() {
    clear();
    shown = null;
    views = [...(await bokeh.embed.embed_item({ ...JSON.parse(model.get("item")), target_id: null }, root))];
    shown = views[0].model.document;
    draw();
  }

  function draw() {
    if (!shown) return;
    quiet = true;
    for (const [name, data] of Object.entries(JSON.parse(model.get("overlay")))) {
      const source = shown.get_model_by_name(name);
      source.data = data;
      source.selected.indices = [];
    }
    quiet = false;
  }

  // The figure's own callbacks raise these events on the document; the token tells whose they are.
  function hear({ detail }) {
    if (detail.token !== model.get("token") || quiet) return;
    if (detail.kind === "points" && same(detail, JSON.parse(model.get("overlay")).points)) return; // our own move
    model.send(detail); // a message each: states that follow each other fast would be merged
  }

  const rebuild = () => {
    building = building.then(build);
  };
  document.addEventListener("ohmshift-picture", hear);
  model.on("change:spoken", speak);
  model.on("change:overlay", draw);
  model.on("change:item", rebuild);
  rebuild();
  return () => {
    document.removeEventListener("ohmshift-picture", hear);
    model.off("change:spoken", speak);
    model.off("change:overlay", draw);
    model.off("change:item", rebuild);
    clear();
  };
}

export default { render };
