"use strict";
// Before pairing: photos that this phone still has to send are told of. They go once it is paired.
const request = indexedDB.open("anodewane", 1);
request.onupgradeneeded = () => request.transaction.abort(); // none was ever kept here
request.onsuccess = () => {
  const count = request.result.transaction("photos").objectStore("photos").count();
  count.onsuccess = () => {
    const line = document.getElementById("waiting");
    if (!count.result || !line) return;
    const photos = count.result === 1 ? "1 photo is" : `${count.result} photos are`;
    line.textContent = `${photos} still on this phone. Nothing is lost: pair it again, and they go.`;
    line.hidden = false;
  };
};
