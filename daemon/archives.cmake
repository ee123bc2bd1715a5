# Three libraries are taken into the program (their archives come with Debian's -dev packages) instead of
# being loaded with it, for the memory of a daemon that runs for years: a loaded library is mapped, its
# tables relocated and its pages counted whole, however little of it is used.
#   GSL            a few statistics out of a library of 2.9 MB
#   libsodium      only for the page's password
#   libmicrohttpd  brings in GnuTLS and the eight libraries that GnuTLS needs, more than 2 MB resident,
#                  for a page that is served without TLS
# Where there is no archive, the shared library is loaded: the program then only takes more memory.

pkg_check_modules(gsl REQUIRED IMPORTED_TARGET gsl)
find_library(GSL_ARCHIVE libgsl.a HINTS ${gsl_LIBDIR})
find_library(GSLCBLAS_ARCHIVE libgslcblas.a HINTS ${gsl_LIBDIR})
add_library(statistics_library INTERFACE)
if(GSL_ARCHIVE AND GSLCBLAS_ARCHIVE)
	target_include_directories(statistics_library SYSTEM INTERFACE ${gsl_INCLUDE_DIRS})
	target_link_libraries(statistics_library INTERFACE ${GSL_ARCHIVE} ${GSLCBLAS_ARCHIVE} m)
else()
	target_link_libraries(statistics_library INTERFACE PkgConfig::gsl)
endif()

pkg_check_modules(sodium REQUIRED IMPORTED_TARGET libsodium)
find_library(SODIUM_ARCHIVE libsodium.a HINTS ${sodium_LIBDIR})
add_library(password_library INTERFACE)
if(SODIUM_ARCHIVE)
	target_include_directories(password_library SYSTEM INTERFACE ${sodium_INCLUDE_DIRS})
	target_link_libraries(password_library INTERFACE ${SODIUM_ARCHIVE} Threads::Threads)
else()
	target_link_libraries(password_library INTERFACE PkgConfig::sodium)
endif()

pkg_check_modules(microhttpd REQUIRED IMPORTED_TARGET libmicrohttpd)
find_library(MICROHTTPD_ARCHIVE libmicrohttpd.a HINTS ${microhttpd_LIBDIR})
add_library(http_library INTERFACE)
if(MICROHTTPD_ARCHIVE AND CMAKE_NM)
	# Every function of GnuTLS that the archive refers to becomes one that fails. Of them only
	# gnutls_global_init and gnutls_global_deinit are called unless a server is started with
	# MHD_USE_TLS, and their results are not looked at; a start with it would fail.
	set(no_tls ${CMAKE_BINARY_DIR}/no_tls.c)
	add_custom_command(OUTPUT ${no_tls}
		COMMAND ${CMAKE_COMMAND} -DNM=${CMAKE_NM} -DARCHIVE=${MICROHTTPD_ARCHIVE}
			-DOUTPUT=${no_tls} -P ${CMAKE_CURRENT_LIST_DIR}/no_tls.cmake
		DEPENDS ${MICROHTTPD_ARCHIVE} ${CMAKE_CURRENT_LIST_DIR}/no_tls.cmake VERBATIM)
	add_library(no_tls STATIC ${no_tls})
	target_include_directories(http_library SYSTEM INTERFACE ${microhttpd_INCLUDE_DIRS})
	target_link_libraries(http_library INTERFACE ${MICROHTTPD_ARCHIVE} no_tls Threads::Threads)
else()
	target_link_libraries(http_library INTERFACE PkgConfig::microhttpd)
endif()
