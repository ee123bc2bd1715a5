# Writes OUTPUT: a function that fails for each function of GnuTLS that ARCHIVE refers to; see archives.cmake.
execute_process(COMMAND ${NM} -u ${ARCHIVE} OUTPUT_VARIABLE symbols ERROR_QUIET
	COMMAND_ERROR_IS_FATAL ANY)
string(REGEX MATCHALL "gnutls_[a-z0-9_]+" names "${symbols}")
list(SORT names)
list(REMOVE_DUPLICATES names)
set(text "/* Written by no_tls.cmake. The page is served without TLS. */\n")
foreach(name no_tls ${names})
	string(APPEND text "int ${name}(void);\nint ${name}(void)\n{\n\treturn -1;\n}\n")
endforeach()
file(WRITE ${OUTPUT} "${text}")
