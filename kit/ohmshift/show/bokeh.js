// Loads BokehJS from the kernel; stands before every module that draws with it.

const loading = (window.__ohmshift_bokeh ??= {});

/** Load BokehJS once a page and version; more than one version can live on a page. */
function load(script, version) {
  const present = () => window.Bokeh && (window.Bokeh.version === version ? window.Bokeh : window.Bokeh[version]);
  if (present()) return Promise.resolve(present());
  loading[version] ??= new Promise((done, failed) => {
    const element = document.createElement("script");
    const address = URL.createObjectURL(new Blob([script], { type: "text/javascript" }));
    const end = (settle) => () => {
      URL.revokeObjectURL(address);
      settle(present());
    };
    element.src = address;
    element.onload = end(done);
    element.onerror = end(() => failed(new Error(`BokehJS ${version} did not load`)));
    document.head.appendChild(element);
  });
  return loading[version];
}

