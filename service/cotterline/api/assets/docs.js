// Every address is this service's own: no validator, no remote configuration.
SwaggerUIBundle({
  url: "openapi.json",
  dom_id: "#document",
  deepLinking: true,
  queryConfigEnabled: false,
  validatorUrl: null,
  defaultModelsExpandDepth: 0,
  displayRequestDuration: true,
});
