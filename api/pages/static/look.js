// A guest's link carries its code behind the #, which no server and no log ever sees: taken out of the address at once.
const field = document.getElementById("code");
const code = decodeURIComponent(location.hash.slice(1));
if (code) {
  history.replaceState(null, "", location.pathname);
  field.value = code;
  field.form.submit();
}
