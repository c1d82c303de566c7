// A drawing of the server's as a picture to keep: the same file, put on a canvas of this page.
(() => {
  "use strict";
  const save = async (address, name) => {
    const drawing = new Image();
    drawing.src = address;
    await drawing.decode();
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [drawing.naturalWidth, drawing.naturalHeight];
    canvas.getContext("2d").drawImage(drawing, 0, 0, canvas.width, canvas.height);
    const link = document.createElement("a");
    link.href = URL.createObjectURL(await new Promise((resolve) => canvas.toBlob(resolve, "image/png")));
    link.download = name;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000); // ms; judgement: the browser has it by then
  };
  const offer = () => document.querySelectorAll("[data-take]").forEach((button) => { button.hidden = false; });
  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-take]");
    if (button) save(button.dataset.take, button.dataset.name);
  });
  document.addEventListener("siccast:shown", offer);
  offer();
})();
