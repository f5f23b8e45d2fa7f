// Loads BokehJS from the kernel; stands before every module that draws with it.

const loading = (window.__ohmshift_bokeh ??= {});

/** Keep a style sheet as it is where Bokeh, at every paint, writes the same text into it: the browser would work out
 * all styles anew. */
function spareStyles(bokeh) {
  const sheet = bokeh.require?.("core/dom")?.InlineStyleSheet?.prototype;
  const write = sheet?._update;
  if (!write) return;
  sheet._update = function (text) {
    if (this.el.textContent !== text) write.call(this, text);
  };
}

/** Load BokehJS once a page and version; more than one version can live on a page. */
function load(script, version) {
  const present = () => window.Bokeh && (window.Bokeh.version === version ? window.Bokeh : window.Bokeh[version]);
  if (present()) return Promise.resolve(present());
  loading[version] ??= new Promise((done, failed) => {
    const element = document.createElement("script");
    const address = URL.createObjectURL(new Blob([script], { type: "text/javascript" }));
    element.src = address;
    element.onload = () => {
      URL.revokeObjectURL(address);
      spareStyles(present());
      done(present());
    };
    element.onerror = () => failed(new Error(`BokehJS ${version} did not load`));
    document.head.appendChild(element);
  });
  return loading[version];
}

